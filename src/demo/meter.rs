//! Simulated instruments: a true value in, the line that the device prints out.
//!
//! Three devices of invented make: a clamp board, a handheld meter, a supply and ground monitor. Each is
//! wrong as real ones are: a gain and an offset of its own, flicker, and steps of its last digit, together
//! always inside the accuracy that its bench entry states. Knows no port and no clock; lines have no end
//! of line yet.

use super::noise::Noise;
use super::operating::ProbedPath;

/// What one input of a device does wrong.
#[derive(Debug, Clone, PartialEq)]
pub struct InputError {
    gain: f64,
    offset: f64,
    flicker: f64,
}

impl InputError {
    /// Drawn from what a data sheet allows: a share of the reading and a fixed part in the reading's unit.
    ///
    /// Gain takes at most 0.6 of the share; offset and flicker at most 0.7 of the fixed part, so that the
    /// last digit's step (0.3 of it or less) fits in as well.
    pub fn draw(of_reading: f64, fixed: f64, noise: &mut Noise) -> Self {
        Self { gain: noise.within(0.6 * of_reading), offset: noise.within(0.5 * fixed), flicker: 0.2 * fixed }
    }

    /// The value as the device sees it, in the same unit.
    pub fn apply(&self, truth: f64, noise: &mut Noise) -> f64 {
        truth * (1.0 + self.gain) + self.offset + noise.within(self.flicker)
    }
}

/// Five clamps and the tilt lever's signal wire on a board that prints columns: milliseconds since it was switched on, volts out of
/// each clamp, volts of the wire.
///
/// ```text
/// ms,v1,v2,v3,v4,v5,v6
/// 20,0.1604,0.0003,-0.0008,0.0002,0.0011,2.5031
/// ```
#[derive(Debug, Clone)]
pub struct ClampBoard {
    errors: [InputError; 5],
    lever: InputError,
    noise: Noise,
}

impl ClampBoard {
    /// What a clamp gives out, volt for each ampere.
    pub const VOLTS_PER_AMP: f64 = 0.1;
    /// The first line after switching on.
    pub const HEADER: &str = "ms,v1,v2,v3,v4,v5,v6";

    /// A board as bought: each clamp within 1.5 % + 20 mA, the lever's input within 1 % + 10 mV.
    pub fn new(mut noise: Noise) -> Self {
        let errors = std::array::from_fn(|_| InputError::draw(0.015, 0.020, &mut noise));
        let lever = InputError::draw(0.010, 0.010, &mut noise);
        Self { errors, lever, noise }
    }

    /// One scan of the five wires' currents, ampere, and of the lever's signal, volt.
    pub fn line(&mut self, since_boot_ms: u128, amps: [f64; 5], lever_v: f64) -> String {
        let mut line = since_boot_ms.to_string();
        for (error, truth) in self.errors.iter().zip(amps) {
            let volts = error.apply(truth, &mut self.noise) * Self::VOLTS_PER_AMP;
            line.push_str(&format!(",{}", fixed(volts, 4)));
        }
        line + "," + &fixed(self.lever.apply(lever_v, &mut self.noise), 4)
    }
}

/// What the handheld meter's leads and switch are at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ProbeInput {
    /// Switched to volts, a lead in the air.
    AirOnVolts,
    /// Switched to ohms, a lead in the air.
    AirOnOhms,
    /// Switched to volts, this many between the leads.
    Volts(f64),
    /// Switched to ohms, this between the leads.
    Ohms(ProbedPath),
}

/// A handheld meter of 6000 counts that prints what its display shows: `12.31 V`, `7.52 ohm`, `OL ohm`.
#[derive(Debug, Clone)]
pub struct Handheld {
    of_reading: f64,
    /// Shares of the five digits that its accuracy allows, -1 to 1.
    offset: f64,
    noise: Noise,
    before: Option<LastInput>,
    readings: u32,
}

/// What was measured last.
#[derive(Debug, Clone, Copy, PartialEq)]
enum LastInput {
    Volts(f64),
    Ohms(f64),
}

impl Handheld {
    /// Test current of the ohms ranges, ampere: volts that stand on the circuit read as ohms by it.
    const TEST_A: f64 = 1e-3;
    /// Above this it shows an overload, ohm.
    const MOST_OHMS: f64 = 60e6;
    /// Above this it shows an overload, volt.
    const MOST_VOLTS: f64 = 600.0;
    /// Flaws of the digits: offset, flicker and rounding are at most 2.5, 1 and 0.5 of the 5 digits.
    const OFFSET_DIGITS: f64 = 2.5;

    /// A meter as bought: within 0.8 % + 5 digits.
    pub fn new(mut noise: Noise) -> Self {
        let (of_reading, offset) = (noise.within(0.6 * 0.008), noise.within(1.0));
        Self { of_reading, offset, noise, before: None, readings: 0 }
    }

    /// The next reading.
    pub fn line(&mut self, probe_input: ProbeInput) -> String {
        self.readings = self.readings.wrapping_add(1);
        match probe_input {
            ProbeInput::AirOnVolts => {
                let hum = self.hum();
                self.volts(hum)
            }
            ProbeInput::Volts(volts) => self.volts(volts),
            ProbeInput::AirOnOhms => self.ohms(f64::MAX),
            ProbeInput::Ohms(path) => self.ohms(path.ohms + path.standing_v / Self::TEST_A),
        }
    }

    /// What an open lead picks up from the mains around it and a DC range lets through, volt: some millivolts, beating slowly.
    fn hum(&mut self) -> f64 {
        0.003 * (f64::from(self.readings) * 0.7).sin() + self.noise.within(0.001)
    }

    fn volts(&mut self, volts: f64) -> String {
        let shown = match self.before.replace(LastInput::Volts(volts)) {
            // The converter integrates: a lead that lands midway gives one reading that is neither here nor there.
            Some(LastInput::Volts(before)) if (volts - before).abs() > 0.05 => {
                before + (volts - before) * self.noise.share()
            }
            _ => volts,
        };
        let decimals = match shown.abs() {
            size if size < 6.0 => 3,
            size if size < 60.0 => 2,
            size if size < Self::MOST_VOLTS => 1,
            _ => return "OL V".to_owned(),
        };
        format!("{} V", self.display(shown, decimals))
    }

    fn ohms(&mut self, ohms: f64) -> String {
        let ranging = match self.before.replace(LastInput::Ohms(ohms)) {
            Some(LastInput::Ohms(before)) => (ohms - before).abs() > 0.2 * before,
            Some(LastInput::Volts(_)) | None => true,
        };
        // It seeks its range from the top, and a converter driven backwards has no reading either.
        if ranging || !(-0.05..Self::MOST_OHMS).contains(&ohms) {
            return "OL ohm".to_owned();
        }
        let (prefix, factor) = match ohms {
            small if small < 600.0 => ("", 1.0),
            middle if middle < 600e3 => ("k", 1e3),
            _ => ("M", 1e6),
        };
        let scaled = ohms.max(0.0) / factor;
        let decimals = match scaled {
            // The lowest range is 60.00 ohm; kilohm and megohm have one of 6.000.
            small if small < 6.0 && factor > 1.0 => 3,
            middle if middle < 60.0 => 2,
            _ => 1,
        };
        format!("{} {prefix}ohm", self.display(scaled, decimals))
    }

    /// The value with the meter's flaws, with this number of decimals.
    fn display(&mut self, value: f64, decimals: i32) -> String {
        let digit = 10f64.powi(-decimals);
        let digits = Self::OFFSET_DIGITS * self.offset + self.noise.within(1.0);
        fixed(value * (1.0 + self.of_reading) + digits * digit, decimals)
    }
}

/// A board on battery, block ground and a wheel sensor that prints pairs: `supply=12.412V ground=0.043V speed=5.8km/h`.
#[derive(Debug, Clone)]
pub struct Monitor {
    supply: InputError,
    ground: InputError,
    noise: Noise,
}

impl Monitor {
    /// A board as bought: both volts within 0.5 % + 5 mV. A wheel's teeth are counted without an error but the last digit's.
    pub fn new(mut noise: Noise) -> Self {
        let (supply, ground) = (InputError::draw(0.005, 0.005, &mut noise), InputError::draw(0.005, 0.005, &mut noise));
        Self { supply, ground, noise }
    }

    /// One report: volts at the battery's posts, volts lost on the block's ground, road speed in km/h.
    pub fn line(&mut self, supply_v: f64, ground_v: f64, speed_kmh: f64) -> String {
        let supply = self.supply.apply(supply_v, &mut self.noise);
        let ground = self.ground.apply(ground_v, &mut self.noise);
        format!("supply={}V ground={}V speed={}km/h", fixed(supply, 3), fixed(ground, 3), fixed(speed_kmh, 1))
    }
}

/// A number with this number of decimals as a display shows it: no minus before zero.
fn fixed(value: f64, decimals: i32) -> String {
    let text = format!("{value:.*}", usize::try_from(decimals).unwrap_or(0));
    match text.strip_prefix('-') {
        Some(size) if size.bytes().all(|byte| matches!(byte, b'0' | b'.')) => size.to_owned(),
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{Accuracy, Measure, Scale};

    fn within(found: f64, truth: f64, digit: f64, accuracy: &str) -> bool {
        let accuracy: Accuracy = accuracy.parse().unwrap();
        (found - truth).abs() <= accuracy.half_width(truth, Some(digit)) + 1e-9
    }

    fn ohms(ohms: f64) -> ProbeInput {
        ProbeInput::Ohms(ProbedPath { ohms, standing_v: 0.0 })
    }

    /// The second reading: the first one may still be ranging.
    fn settled(meter: &mut Handheld, probe_input: ProbeInput) -> String {
        meter.line(probe_input);
        meter.line(probe_input)
    }

    #[test]
    fn clamps_stay_within_their_accuracy() {
        for seed in 0..200 {
            let mut board = ClampBoard::new(Noise::new(seed));
            let truth = [0.0, 0.5, 1.6, 1.25, 10.0];
            let line = board.line(20, truth, 2.5);
            let columns: Vec<f64> = line.split(',').map(|column| column.parse().unwrap()).collect();
            assert_eq!((columns.len(), columns[0]), (ClampBoard::HEADER.split(',').count(), 20.0));
            let scale: Scale = "100 mV/A".parse().unwrap();
            assert!(within(columns[6], 2.5, 0.0001, "1 % + 10 mV"), "{seed}: {line}");
            for (volts, amps) in columns[1..].iter().zip(truth) {
                assert!(within(scale.apply(*volts), amps, 0.001, "1.5 % + 20 mA"), "{seed}: {line}");
            }
        }
    }

    #[test]
    fn fifty_millivolts_is_half_an_ampere() {
        // A clamp that gives 1 mV per 10 mA shows 0.5 A at 50 mV: common practice, no source.
        let perfect = InputError { gain: 0.0, offset: 0.0, flicker: 0.0 };
        let errors = std::array::from_fn(|_| perfect.clone());
        let mut board = ClampBoard { errors, lever: perfect, noise: Noise::new(0) };
        let line = board.line(1040, [0.5, 0.0, -0.5, -1e-9, 1.0], 2.5);
        assert_eq!(line, "1040,0.0500,0.0000,-0.0500,0.0000,0.1000,2.5000");
    }

    #[test]
    fn the_handheld_stays_within_its_accuracy() {
        for seed in 0..200 {
            let mut meter = Handheld::new(Noise::new(seed));
            for (probe_input, truth, digit) in [
                (ProbeInput::Volts(12.56), 12.56, 0.01),
                (ProbeInput::Volts(-1.25), -1.25, 0.001),
                (ohms(7.62), 7.62, 0.01),
                (ohms(120.0), 120.0, 0.1),
                (ohms(10_000.0), 10_000.0, 10.0),
                (ohms(2.2e6), 2.2e6, 1000.0),
            ] {
                let line = settled(&mut meter, probe_input);
                let measure: Measure = line.parse().unwrap();
                assert!(within(measure.value, truth, digit, "0.8 % + 5 digits"), "{seed}: {line} for {truth}");
            }
        }
    }

    #[test]
    fn the_handheld_prints_as_its_display_shows() {
        let mut meter = Handheld { of_reading: 0.0, offset: 0.0, ..Handheld::new(Noise::new(5)) };
        let form = |line: String| line.chars().map(|c| if c.is_ascii_digit() { '9' } else { c }).collect::<String>();
        assert_eq!(form(settled(&mut meter, ProbeInput::Volts(12.31))), "99.99 V");
        assert_eq!(form(settled(&mut meter, ProbeInput::Volts(0.5))), "9.999 V");
        assert_eq!(form(settled(&mut meter, ohms(7.52))), "9.99 ohm");
        assert_eq!(form(settled(&mut meter, ohms(4700.0))), "9.999 kohm");
        assert_eq!(settled(&mut meter, ohms(1e9)), "OL ohm");
        assert_eq!(settled(&mut meter, ProbeInput::AirOnOhms), "OL ohm");
        assert_eq!(settled(&mut meter, ProbeInput::Volts(1000.0)), "OL V");
    }

    #[test]
    fn an_open_lead_reads_about_zero_and_hums() {
        let mut meter = Handheld::new(Noise::new(8));
        settled(&mut meter, ProbeInput::AirOnVolts);
        let lines: Vec<String> = (0..40).map(|_| meter.line(ProbeInput::AirOnVolts)).collect();
        let values: Vec<f64> = lines.iter().map(|line| line.parse::<Measure>().unwrap().value).collect();
        assert!(values.iter().all(|volts| volts.abs() < 0.01), "{lines:?}");
        assert!(values.windows(2).filter(|pair| pair[0] != pair[1]).count() > 20, "{lines:?}");
    }

    #[test]
    fn ohms_on_a_live_circuit_are_nonsense() {
        let mut meter = Handheld::new(Noise::new(8));
        let live = settled(&mut meter, ProbeInput::Ohms(ProbedPath { ohms: 7.5, standing_v: 12.0 }));
        assert!(live.ends_with("kohm"), "{live}");
        assert_eq!(settled(&mut meter, ProbeInput::Ohms(ProbedPath { ohms: 7.5, standing_v: -12.0 })), "OL ohm");
    }

    #[test]
    fn a_lead_that_has_just_landed_gives_one_reading_in_between() {
        let mut meter = Handheld::new(Noise::new(3));
        settled(&mut meter, ProbeInput::AirOnVolts);
        let landing: Measure = meter.line(ProbeInput::Volts(12.5)).parse().unwrap();
        assert!((-0.1..12.7).contains(&landing.value));
        let landed: Measure = meter.line(ProbeInput::Volts(12.5)).parse().unwrap();
        assert!((landed.value - 12.5).abs() < 0.2);
        assert_eq!(meter.line(ohms(7.5)), "OL ohm", "seeks its range");
    }

    #[test]
    fn the_monitor_stays_within_its_accuracy() {
        for seed in 0..200 {
            let mut monitor = Monitor::new(Noise::new(seed));
            let line = monitor.line(12.412, 0.043, 5.84);
            let [supply, ground, speed] = line.split(' ').collect::<Vec<_>>().try_into().unwrap();
            assert_eq!(speed, "speed=5.8km/h");
            for (pair, name, truth) in [(supply, "supply", 12.412), (ground, "ground", 0.043)] {
                let (key, value) = pair.split_once('=').unwrap();
                let value: Measure = value.parse().unwrap();
                assert!(key == name && within(value.value, truth, 0.001, "0.5 % + 5 mV"), "{seed}: {line}");
            }
        }
    }
}
