//! Chance that can be repeated: the same seed gives the same faults, flaws and noise everywhere.
//!
//! The generator is SplitMix64 (Steele, Lea and Flood, "Fast splittable pseudorandom number
//! generators", OOPSLA 2014, figure 16; constants from memory). It passes for noise and for the
//! choice of faults, never for secrets. It knows no clock and takes no entropy of the machine.

/// A stream of repeatable random numbers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Noise {
    state: u64,
}

impl Noise {
    /// A stream from its seed; every seed is as good as any other.
    pub const fn new(seed: u64) -> Self {
        Self { state: seed }
    }

    /// A stream of its own for one purpose, so that asking one more number here moves nothing there.
    pub fn fork(&mut self) -> Self {
        Self { state: self.bits() }
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut bits = self.state;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        bits ^ (bits >> 31)
    }

    /// Evenly spread over 0 (can come) to 1 (never comes).
    pub fn share(&mut self) -> f64 {
        // The upper 53 bits are what an f64 holds exactly.
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Evenly spread over `low` to `high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.share()
    }

    /// Evenly spread over minus to plus the half-width.
    pub fn within(&mut self, half_width: f64) -> f64 {
        self.between(-half_width, half_width)
    }

    /// One of `count` things, counted from 0; 0 where there is none to choose from.
    pub fn pick(&mut self, count: usize) -> usize {
        // The share is below 1, so the product is below the count for every count met here.
        (self.share() * count as f64) as usize
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_sequence_comes_out() {
        // Seed 1234567: the sequence that implementations of SplitMix64 are commonly checked with (from memory).
        let mut noise = Noise::new(1_234_567);
        for expected in [6_457_827_717_110_365_317, 3_203_168_211_198_807_973, 9_817_491_932_198_370_423] {
            assert_eq!(noise.bits(), expected);
        }
    }

    #[test]
    fn spread_evenly_and_inside_the_bounds() {
        let mut noise = Noise::new(7);
        let values: Vec<f64> = (0..20_000).map(|_| noise.within(2.0)).collect();
        assert!(values.iter().all(|value| (-2.0..2.0).contains(value)));
        let mean = values.iter().sum::<f64>() / 20_000.0;
        let variance = values.iter().map(|value| value * value).sum::<f64>() / 20_000.0;
        // A rectangular spread of half-width a has the standard deviation a/√3 (JCGM 100, 4.3.7, from memory).
        assert!(mean.abs() < 0.05 && (variance.sqrt() - 2.0 / 3f64.sqrt()).abs() < 0.02, "{mean} {variance}");
    }

    #[test]
    fn every_choice_comes_and_none_beyond() {
        let mut noise = Noise::new(1);
        let mut met = [0; 5];
        (0..1000).for_each(|_| met[noise.pick(5)] += 1);
        assert!(met.iter().all(|count| (120..280).contains(count)), "{met:?}");
    }

    #[test]
    fn a_fork_goes_its_own_way() {
        let (mut one, mut other) = (Noise::new(3), Noise::new(3));
        let mut fork = one.fork();
        assert_ne!(fork.bits(), other.clone().bits());
        other.fork();
        assert_eq!(one.bits(), other.bits());
    }
}
