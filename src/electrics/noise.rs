//! Normal noise by seed, for tests: SplitMix64 (Steele, Lea, Flood, OOPSLA 2014, from memory) and the polar method
//! (Marsaglia, from memory).

/// A stream of numbers that a seed decides.
#[derive(Debug, Clone)]
pub(crate) struct Noise(u64);

impl Noise {
    pub(crate) fn of_seed(seed: u64) -> Self {
        Self(seed)
    }

    /// Uniform from 0 to 1.
    pub(crate) fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((bits ^ (bits >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Standard normal.
    pub(crate) fn normal(&mut self) -> f64 {
        loop {
            let (x, y) = (2.0 * self.uniform() - 1.0, 2.0 * self.uniform() - 1.0);
            let square = x * x + y * y;
            if square > 0.0 && square < 1.0 {
                return x * (-2.0 * square.ln() / square).sqrt();
            }
        }
    }
}
