//! Copper's resistance rises with heat: a limit holds at its reference temperature only.

use super::{Judgement, Verdict, judge};
use crate::{
    channel::{ChannelId, Sample},
    electrics::{Copper, DecisionRule, Uncertain},
    procedure::MachineHeat,
    protocol::Value,
    units::{Limit, Quantity},
};

/// Half-width of a typed temperature's uncertainty, °C, rectangular.
pub(crate) const TYPED_TOLERANCE: f64 = 2.0;

/// What a good coil can ever have in a machine, °C: from a winter night to hot oil and its own losses. Common practice, no
/// source.
const POSSIBLE_CELSIUS: (f64, f64) = (-30.0, 140.0);

/// What a coil has where nothing at all is known, °C: common practice, no source.
const UNKNOWN_CELSIUS: (f64, f64) = (-10.0, 110.0);

/// What the parts of a machine have that stood for hours, where the temperature of the air is not given, °C: a workshop.
/// Common practice, no source.
const COLD_CELSIUS: (f64, f64) = (5.0, 30.0);

/// How far the parts of a machine that stood for hours are from the temperature of the air, °C, colder and warmer: common
/// practice, no source.
const COLD_FROM_AMBIENT: (f64, f64) = (5.0, 10.0);

/// What coils have in a machine that has been working for a while, °C: common practice, no source.
const WARM_CELSIUS: (f64, f64) = (20.0, 80.0);

/// What coils have in a machine that has been working hard, °C: common practice, no source.
const HOT_CELSIUS: (f64, f64) = (50.0, 120.0);

/// A part is at most this much colder than the air around it, °C: common practice, no source.
const MOST_BELOW_AMBIENT: f64 = 10.0;

/// How a step's limit depends on the part's temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct TemperatureCorrection {
    /// °C at which the limit is given.
    pub reference: f64,
    /// The part's temperature.
    pub part: PartCelsius,
    /// The lowest and the highest temperature that the part can have where it is, °C: all that is known without a temperature.
    pub plausible: (f64, f64),
}

/// The temperature of a part, as far as it is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum PartCelsius {
    /// Not known.
    Unknown,
    /// °C.
    Known(Uncertain),
    /// A channel measures it; its newest value.
    Channel(ChannelId, Option<Uncertain>),
}

impl PartCelsius {
    /// A temperature that the operator typed, °C.
    pub(crate) fn typed(celsius: f64) -> Self {
        Self::Known(Uncertain::rectangular(celsius, TYPED_TOLERANCE))
    }
}

/// The lowest and the highest temperature that a part can have, °C: as the procedure says, or by the state of the machine and
/// the temperature of the air.
pub(crate) fn plausible_temperatures(
    place: Option<(f64, f64)>,
    state: Option<MachineHeat>,
    ambient: Option<f64>,
) -> (f64, f64) {
    if let Some(place) = place {
        return place;
    }
    let colder = ambient.map(|ambient| ambient - MOST_BELOW_AMBIENT);
    match (state, ambient) {
        (Some(MachineHeat::Cold), Some(ambient)) => (ambient - COLD_FROM_AMBIENT.0, ambient + COLD_FROM_AMBIENT.1),
        (Some(MachineHeat::Cold), None) => COLD_CELSIUS,
        (Some(MachineHeat::Warm), _) => (ambient.unwrap_or(WARM_CELSIUS.0).min(WARM_CELSIUS.1), WARM_CELSIUS.1),
        (Some(MachineHeat::Hot), _) => HOT_CELSIUS,
        (None, _) => (colder.unwrap_or(UNKNOWN_CELSIUS.0).min(UNKNOWN_CELSIUS.1), UNKNOWN_CELSIUS.1),
    }
}

impl TemperatureCorrection {
    /// One more sample of any channel: perhaps the one that measures the temperature.
    pub(crate) fn sample(&mut self, sample: &Sample) {
        if let PartCelsius::Channel(channel, celsius) = &mut self.part
            && *channel == sample.channel
            && sample.quantity == Quantity::Temperature
            && let Value::Number(value) = sample.value
        {
            *celsius = Some(Uncertain::new(value, sample.u.unwrap_or(1.0)));
        }
    }

    fn celsius(&self) -> Option<Uncertain> {
        match self.part {
            PartCelsius::Known(celsius) | PartCelsius::Channel(_, Some(celsius)) => Some(celsius),
            PartCelsius::Unknown | PartCelsius::Channel(_, None) => None,
        }
    }

    /// The resistance at the reference temperature, by the coefficient of IEC 60028. Where the part's temperature is
    /// unknown, its plausible range is in the uncertainty. None where copper has no resistance at such a temperature.
    pub(crate) fn corrected(&self, ohms: Uncertain) -> Option<Uncertain> {
        let copper = Copper::iec_60028();
        if let Some(celsius) = self.celsius() {
            return copper.correct(ohms, celsius, self.reference);
        }
        let (coldest, warmest) = self.plausible;
        let (most, least) = (copper.ratio(coldest, self.reference)?, copper.ratio(warmest, self.reference)?);
        // Anywhere between the two, JCGM 100:2008, 4.3.7; over so wide a range not to first order.
        let ratio = Uncertain::rectangular((most + least) / 2.0, (most - least) / 2.0);
        Some(Uncertain::new(ohms.value * ratio.value, ohms.u * ratio.value).widened(ohms.value * ratio.u))
    }

    /// Judges ohms by the limit at its reference temperature. `shown` is the sample's number, what the meter showed.
    pub(super) fn judge(&self, limit: &Limit, sample: &Sample, shown: f64, rule: DecisionRule) -> Judgement {
        let u = sample.u;
        let Some(corrected) = self.corrected(Uncertain::new(shown, u.unwrap_or(0.0))) else {
            return judge(limit, sample, rule);
        };
        let celsius = self.celsius();
        // An unknown temperature is an uncertainty also where nothing is known of the meter.
        let widened = u.or(celsius.is_none().then_some(0.0)).map(|_| corrected.u);
        let judged = judge(limit, &Sample { value: Value::Number(corrected.value), u: widened, ..*sample }, rule);
        let reason = match celsius {
            Some(celsius) => {
                let format = sample.format(Some(limit));
                let (shown, corrected) = (format.show(shown), format.show(corrected.value));
                let reference = self.reference;
                format!("{shown} at {:.0} °C is {corrected} at {reference:.0} °C; {}", celsius.value, judged.reason)
            }
            None => self.reason_without_temperature(limit, sample, shown, judged.verdict()),
        };
        Judgement { reason, ..judged }.with_shown(shown, u)
    }

    fn reason_without_temperature(
        &self,
        limit: &Limit,
        sample: &Sample,
        ohms: f64,
        verdict: Option<Verdict>,
    ) -> String {
        let shown = sample.shown(Some(limit));
        let (coldest, warmest) = self.plausible;
        let wanted = format!("{limit} at {:.0} °C wanted", self.reference);
        match verdict {
            Some(Verdict::InLimit) => {
                format!("{shown} is good at any temperature from {coldest:.0} to {warmest:.0} °C, {wanted}")
            }
            _ => match self.explains(ohms, limit) {
                Some(words) => format!("{shown}, {wanted}; {words}"),
                None => format!("{shown}, {wanted}; the part can be at {coldest:.0} to {warmest:.0} °C"),
            },
        }
    }

    /// At which temperature a good coil would show these ohms, and whether the part can have it; none for a limit without
    /// an upper end.
    fn explains(&self, ohms: f64, limit: &Limit) -> Option<String> {
        let high = limit.high?;
        let low = limit.low.unwrap_or(high);
        let copper = Copper::iec_60028();
        let needed = |nominal: f64| {
            copper.explaining_temperature(Uncertain::exact(ohms), Uncertain::exact(nominal), self.reference)
        };
        // Above the limit, from the coldest good coil that shows this to a nominal one; below it, from the warmest; within it,
        // all good coils.
        let (is_high, is_low) = (ohms > high, ohms < low);
        let middle = (low + high) / 2.0;
        let (edge, other) = match (is_high, is_low) {
            (true, _) => (high, middle),
            (_, true) => (low, middle),
            (false, false) => (high, low),
        };
        let (from, to) = (needed(edge)?.value, needed(other)?.value);
        let (from, to) = (from.min(to), from.max(to));
        let overlaps = |(coldest, warmest): (f64, f64)| to >= coldest && from <= warmest;
        let (coldest, warmest) = self.plausible;
        let tell = "give the part's temperature, or whether the machine is cold, warm or hot";
        Some(if overlaps(self.plausible) && is_low {
            format!("only a good coil as cold as {from:.0} to {to:.0} °C would show this: {tell}")
        } else if overlaps(self.plausible) && is_high {
            format!("a good coil at {from:.0} to {to:.0} °C would show this: {tell}, or let it cool")
        } else if overlaps(self.plausible) {
            let (from, to) = (from.max(coldest), to.min(warmest));
            format!(
                "a good coil at {from:.0} to {to:.0} °C would show this, and the part is at {coldest:.0} to {warmest:.0} °C: {tell}"
            )
        } else if overlaps(POSSIBLE_CELSIUS) {
            let needed = if is_high { from } else { to };
            format!(
                "a good coil would show this only at {needed:.0} °C, but the part is at {coldest:.0} to {warmest:.0} °C: \
                 temperature does not explain it"
            )
        } else {
            let amount = if is_high { "many" } else { "few" };
            format!("no temperature explains this: too {amount} ohms for a good coil")
        })
    }
}

#[cfg(test)]
mod tests {
    use super::{super::tests::volts, *};

    /// Of a meter that shows hundredths of an ohm.
    fn of_ohms(heat: &TemperatureCorrection, limit: &Limit, ohms: f64, u: f64) -> Judgement {
        let sample = Sample { quantity: Quantity::Ohms, u: Some(u), digit: Some(0.01), ..volts(0, ohms) };
        heat.judge(limit, &sample, ohms, DecisionRule::Guarded)
    }

    #[test]
    fn a_warm_coil_is_corrected() {
        // Computed with the uncertainties library: 14.2(0.12) ohm at 63(2) °C, α = 0.00393 (IEC 60028), is
        // 12.147238214 ohm at 20 °C with u = 0.131180756 ohm.
        let heat = TemperatureCorrection {
            reference: 20.0,
            part: PartCelsius::Known(Uncertain::new(63.0, 2.0)),
            plausible: POSSIBLE_CELSIUS,
        };
        let corrected = heat.corrected(Uncertain::new(14.2, 0.12)).unwrap();
        assert!((corrected.value - 12.147_238_214).abs() < 1e-8);
        assert!((corrected.u - 0.131_180_756).abs() < 1e-6);
        let limit = Limit::nominal("12 ohm ± 5 %").unwrap();
        let judged = of_ohms(&heat, &limit, 14.2, 0.12);
        assert!(judged.reason.starts_with("14.20 ohm at 63 °C is 12.15 ohm at 20 °C; "), "{}", judged.reason);
        // What the meter showed is kept with its own uncertainty.
        let shown = judged.as_shown();
        assert_eq!((shown.value(), shown.u()), (Some(Value::Number(14.2)), Some(0.12)));
    }

    #[test]
    fn an_unknown_temperature_is_asked_for_only_where_it_could_be_the_reason() {
        // R(80 °C)/R20 is 1.2358 and R(60 °C)/R20 1.1572 with α = 0.00393 (IEC 60028): 7.5 ohm becomes 9.27 and 8.68.
        let heat = TemperatureCorrection {
            reference: 20.0,
            part: PartCelsius::Unknown,
            plausible: plausible_temperatures(None, None, None),
        };
        let limit = Limit::nominal("7.5 ohm ± 8 %").unwrap();
        let words = heat.explains(9.2685, &limit).unwrap();
        assert!(words.starts_with("a good coil at 57 to 80 °C would show this"), "{words}");
        for (ohms, amount) in [(25.0, "many"), (3.0, "few"), (0.2, "few")] {
            let expected = format!("no temperature explains this: too {amount} ohms for a good coil");
            assert_eq!(heat.explains(ohms, &limit), Some(expected), "{ohms}");
        }
        // In a place that stays cool it can't be the heat.
        let cool = TemperatureCorrection { plausible: plausible_temperatures(Some((0.0, 40.0)), None, None), ..heat };
        let words = cool.explains(9.2685, &limit).unwrap();
        assert!(
            words.starts_with("a good coil would show this only at 57 °C, but the part is at 0 to 40 °C"),
            "{words}"
        );
        // 6.5 ohm needs a coil colder than 5 °C: R(5 °C)/R20 = 0.941, and 6.9 ohm becomes 6.49.
        let winter = TemperatureCorrection { plausible: plausible_temperatures(None, None, Some(-15.0)), ..heat };
        assert!(
            winter.explains(6.48, &limit).unwrap().starts_with("only a good coil as cold as"),
            "{:?}",
            winter.explains(6.48, &limit)
        );
        let summer = TemperatureCorrection { plausible: plausible_temperatures(None, None, Some(30.0)), ..heat };
        assert!(summer.explains(6.48, &limit).unwrap().contains("the part is at 20 to 110 °C"));
    }

    /// Coils of three machines, as the trade meets them: drawn by a generator of its own, with temperatures that come from
    /// none of the ranges above. Good ones have a resistance at 20 °C anywhere within their tolerance.
    #[test]
    fn a_good_coil_of_unknown_temperature_is_almost_never_out_of_limit() {
        let mut state = 20_261_126_u64;
        let mut uniform = move || {
            // SplitMix64 (Steele, Lea and Flood 2014), the top 53 bits.
            state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut z = (state ^ (state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
        };
        let (mut out, mut in_limit, mut short) = (0, 0, 0);
        const COUNT: u32 = 4000;
        for _ in 0..COUNT {
            let nominal = [3.5, 5.3, 7.5, 12.5, 26.0][(uniform() * 5.0) as usize];
            let good = nominal * (1.0 + 0.08 * (2.0 * uniform() - 1.0));
            // Air from winter to summer, and heat of work on top that is small in most machines and large in some.
            let celsius = -8.0 + 43.0 * uniform() + 75.0 * uniform() * uniform();
            let meter = 1.0 + 0.004 * (2.0 * uniform() - 1.0);
            // IEC 60028: 0.00393 at 20 °C.
            let shown = good * (1.0 + 0.00393 * (celsius - 20.0)) * meter + 0.1 * uniform();
            let heat = TemperatureCorrection {
                reference: 20.0,
                part: PartCelsius::Unknown,
                plausible: plausible_temperatures(None, None, None),
            };
            let limit = Limit::nominal(&format!("{nominal} ohm ± 8 %")).unwrap();
            let verdict = |ohms: f64| of_ohms(&heat, &limit, ohms, 0.003 * ohms + 0.03).verdict();
            out += u32::from(verdict(shown) == Some(Verdict::OutOfLimit));
            in_limit += u32::from(verdict(shown) == Some(Verdict::InLimit));
            // Half of the turns shorted is recognised at any temperature.
            short += u32::from(verdict(shown * 0.45) == Some(Verdict::OutOfLimit));
        }
        assert!(out * 50 <= COUNT, "{out} of {COUNT} good coils were out of limit");
        assert!(short * 10 >= COUNT * 9, "{short} of {COUNT} shorted coils were out of limit");
        assert_eq!(in_limit, 0, "no reading is good at every temperature when nothing is told");
    }

    /// The 2 % hold also where only the state of the machine is given, and then a good coil is distinguished from a bad one.
    #[test]
    fn the_state_of_the_machine_narrows_the_temperature() {
        let judged = |state, ambient, ohms: f64| {
            let plausible = plausible_temperatures(None, state, ambient);
            let heat = TemperatureCorrection { reference: 20.0, part: PartCelsius::Unknown, plausible };
            let limit = Limit::nominal("7.5 ohm ± 8 %").unwrap();
            of_ohms(&heat, &limit, ohms, 0.02)
        };
        let verdict = |state, ambient, ohms| judged(state, ambient, ohms).verdict();
        let (cold, hot) = (Some(MachineHeat::Cold), Some(MachineHeat::Hot));
        // 7.5 ohm at 22 °C is 7.44 ohm at 20 °C by IEC 60028, and from 17 to 32 °C it is 7.16 to 7.59 ohm.
        assert_eq!(verdict(cold, Some(22.0), 7.5), Some(Verdict::InLimit));
        assert_eq!(verdict(None, None, 7.5), Some(Verdict::TooCloseToCall));
        // 8.7 ohm is 16 % more than nominal: at 5 to 30 °C no good coil has that, at 50 to 120 °C many have.
        assert_eq!(verdict(cold, None, 8.9), Some(Verdict::OutOfLimit));
        assert_eq!(verdict(hot, None, 8.9), Some(Verdict::TooCloseToCall));
        let words = judged(hot, None, 8.9).reason;
        assert!(words.contains("a good coil at 45 to 67 °C would show this: give the part's temperature"), "{words}");
        // The probability is no longer that of a coil at 20 °C.
        assert!(judged(hot, None, 8.9).conformity().is_some_and(|p| p > 0.5));
        assert_eq!(plausible_temperatures(Some((0.0, 60.0)), hot, Some(30.0)), (0.0, 60.0));
    }
}
