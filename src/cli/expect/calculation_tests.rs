//! Calculations against figures from outside.

use super::*;
use crate::electrics::{Awg, ConductorClass, ConductorSize};

fn of(sum: &Calculation, name: &str) -> Uncertain {
    sum.figures.iter().find(|figure| figure.name == name).unwrap_or_else(|| panic!("no {name} in {sum:?}")).value
}

fn near(found: f64, expected: f64, within: f64) {
    assert!((found - expected).abs() <= within, "{found}, expected {expected} ± {within}");
}

fn cold(ohms: f64) -> CoilOhms {
    CoilOhms { ohms: Uncertain::exact(ohms), given_at: 20.0, warm_at: None }
}

#[test]
fn coils_of_common_practice() {
    // Common practice, no source: what technicians expect at 12.87 V.
    for (ohms, amps) in [(6.2, 2.08), (12.5, 1.03), (29.0, 0.444)] {
        let sum = coil(Uncertain::exact(12.87), cold(ohms)).unwrap();
        near(of(&sum, "amps").value, amps, 0.005);
        near(of(&sum, "watts").value, 12.87 * 12.87 / ohms, 1e-9);
    }
}

#[test]
fn a_warm_coil_draws_less() {
    // R(80 °C)/R(20 °C) = 1.2358 with 0.00393 /K, IEC 60028.
    let warm = coil(Uncertain::exact(12.0), CoilOhms { warm_at: Some(80.0), ..cold(7.5) }).unwrap();
    near(of(&warm, "ohms").value, 7.5 * 1.2358, 1e-9);
    near(of(&warm, "amps").value, 12.0 / (7.5 * 1.2358), 1e-9);
    assert!(warm.text().contains("IEC 60028"));
    assert!(coil(Uncertain::exact(12.0), CoilOhms { warm_at: Some(-300.0), ..cold(7.5) }).is_err());
}

#[test]
fn uncertainties_are_carried_along() {
    // JCGM 100 5.1.6 for a product of powers: relative variances add, V² counting four times.
    let (volts, ohms) = (Uncertain::new(12.0, 0.06), Uncertain::new(6.0, 0.06));
    let sum = coil(volts, CoilOhms { ohms, ..cold(6.0) }).unwrap();
    near(of(&sum, "amps").u / 2.0, 0.005f64.hypot(0.01), 1e-12);
    near(of(&sum, "watts").u / 24.0, 0.010f64.hypot(0.01), 1e-12);
    assert!(sum.text().starts_with("amps   2.000 A ± 0.045 A (k = 2)\n"), "{}", sum.text());
    // A typed temperature is right within 2 °C: rectangular, 2/√3 · 0.00393 /K of the ohms.
    let warm = CoilOhms { ohms, given_at: 20.0, warm_at: Some(20.0) }.warm().unwrap();
    near(warm.u, 0.06f64.hypot(6.0 * 0.00393 * 2.0 / 3f64.sqrt()), 1e-9);
}

#[test]
fn wires_of_the_tables() {
    // IEC 60228 class 5, 1.5 mm²: at most 13.3 ohm/km at 20 °C. 3 m at 8 A: 39.9 mohm, 319 mV, 2.66 % of 12 V.
    let flexible = ConductorSize::Iec60228 { m2: 1.5e-6, class: ConductorClass::Flexible };
    let sum = wire(&Wire { size: flexible, metres: 3.0, celsius: 20.0 }, 8.0).unwrap();
    near(of(&sum, "ohms").value, 0.0399, 1e-9);
    near(of(&sum, "volts").value, 0.3192, 1e-9);
    near(of(&sum, "share_of_12_V").value, 2.66, 1e-9);
    near(of(&sum, "share_of_24_V").value, 1.33, 1e-9);
    // Printed table for 16 AWG (HyperPhysics, Georgia State University): 4.016 ohm per 1000 ft.
    let size = ConductorSize::Awg(Awg::new(16).unwrap());
    let sum = wire(&Wire { size, metres: 304.8, celsius: 20.0 }, 1.0).unwrap();
    near(of(&sum, "ohms").value, 4.016, 4.016 * 8.5e-4);
}

#[test]
fn a_warm_coil_and_the_warmth_that_explains_it() {
    // R(80 °C)/R(20 °C) = 1.2358, IEC 60028; there and back again.
    let nominal = NominalOhms { ohms: 7.5, within: 0.6 };
    let sum = warm_ohms(nominal, 20.0, 80.0).unwrap();
    near(of(&sum, "ohms").value, 9.2685, 1e-9);
    near(of(&sum, "least").value, 6.9 * 1.2358, 1e-9);
    near(of(&explained(nominal, 20.0, 9.2685).unwrap(), "temperature").value, 80.0, 1e-6);
    assert!(warm_ohms(nominal, -240.0, 80.0).is_err());
}

#[test]
fn a_bad_joint_by_hand() {
    // Worked by hand: 12 V and 6 ohm would draw 2 A; at 1.5 A the whole is 8 ohm: 2 ohm extra, 3 V and 4.5 W in it.
    let sum = joint(Uncertain::exact(12.0), cold(6.0), Uncertain::exact(1.5)).unwrap();
    for (name, expected) in [("extra_ohms", 2.0), ("volts", 3.0), ("watts", 4.5), ("amps_without", 2.0)] {
        near(of(&sum, name).value, expected, 1e-12);
    }
    assert!(sum.text().contains("to see where it is"));
    let none = joint(Uncertain::new(12.0, 0.1), cold(6.0), Uncertain::new(1.98, 0.02)).unwrap();
    assert!(none.text().contains("no extra resistance"), "{}", none.text());
    assert!(joint(Uncertain::exact(12.0), cold(6.0), Uncertain::exact(0.0)).is_err());
}

#[test]
fn json_names_the_units() {
    let json = coil(Uncertain::exact(12.61), cold(7.5)).unwrap().json();
    assert_eq!(json["amps"]["unit"], "A");
    assert_eq!(json["amps"]["u"], Value::Null);
    near(json["amps"]["value"].as_f64().unwrap(), 1.6813, 1e-4);
    assert!(json["source"].as_str().unwrap().contains("Ohm"));
}
