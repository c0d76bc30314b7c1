//! A coil held on: the current it should draw, and its power, by Ohm's and Joule's laws.

use super::Uncertain;

/// The steady current in A that `volts` drive through `ohms`: I = V/R. `None` unless the resistance
/// is more than zero.
pub(crate) fn current(volts: Uncertain, ohms: Uncertain) -> Option<Uncertain> {
    if ohms.value > 0.0 { volts.over(ohms) } else { None }
}

/// The power in W that `volts` drive through `ohms`: P = V²/R, where the current is not measured but follows
/// from the two. `None` unless the resistance is more than zero.
pub(crate) fn power_at(volts: Uncertain, ohms: Uncertain) -> Option<Uncertain> {
    let square = Uncertain::new(volts.value * volts.value, 2.0 * volts.value * volts.u);
    if ohms.value > 0.0 { square.over(ohms) } else { None }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrics::checks::near;

    #[test]
    fn valve_coils_draw_what_the_trade_expects() {
        // Common practice, no source: near 2.08 A, 1.03 A and 0.444 A at 12.87 V.
        let feed = Uncertain::exact(12.87);
        for (ohms, amps, printed) in [(6.2, 2.08, 0.005), (12.5, 1.03, 0.005), (29.0, 0.444, 0.0005)] {
            near(current(feed, Uncertain::exact(ohms)).unwrap().value, amps, printed);
        }
        assert_eq!(current(feed, Uncertain::exact(0.0)), None);
        assert_eq!(current(feed, Uncertain::exact(-1.0)), None);
    }

    #[test]
    fn expected_amps_are_as_sure_as_volts_and_ohms() {
        // Relative uncertainties of a quotient add in quadrature, JCGM 100 5.1.6.
        let amps = current(Uncertain::new(12.87, 0.0386), Uncertain::new(6.2, 0.0620)).unwrap();
        near(amps.u / amps.value, (0.0386_f64 / 12.87).hypot(0.01), 1e-12);
    }

    #[test]
    fn power_from_volts_and_ohms() {
        // 12 V across 6 Ω make 24 W; 1 % of the volts counts twice, JCGM 100 5.1.6.
        let watts = power_at(Uncertain::new(12.0, 0.12), Uncertain::new(6.0, 0.06)).unwrap();
        near(watts.value, 24.0, 1e-12);
        near(watts.u / watts.value, 0.02_f64.hypot(0.01), 1e-12);
        assert_eq!(power_at(Uncertain::exact(12.0), Uncertain::exact(0.0)), None);
    }
}
