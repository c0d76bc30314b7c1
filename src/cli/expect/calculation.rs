//! The calculations: values in, named figures out. Nothing is printed here.

use serde_json::{Map, Value, json};

use super::typed_value::NominalOhms;
use crate::{
    electrics::{Copper, Drops, MeasuredCircuit, Uncertain, Wire, current, power_at},
    session::judge::TYPED_TOLERANCE,
    units::{Quantity, show, show_with},
};

/// The result of a calculation.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Calculation {
    figures: Vec<CalculatedFigure>,
    /// What to keep in mind, a sentence each.
    notes: Vec<String>,
    /// The formulas and their sources.
    source: String,
}

#[derive(Debug, Clone, PartialEq)]
struct CalculatedFigure {
    /// Its key in JSON; on the screen, with blanks for underscores.
    name: &'static str,
    value: Uncertain,
    quantity: Quantity,
}

/// Why nothing can be calculated.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub(super) enum CalculationError {
    /// The formula for copper does not hold so low.
    #[error("found {celsius} °C, expected a temperature above -234 °C")]
    Temperature {
        /// What was given, °C.
        celsius: f64,
    },
    /// A resistance of zero or less.
    #[error("found {ohms} ohm, expected more than zero")]
    Ohms {
        /// What was given, Ω.
        ohms: f64,
    },
    /// The wire is impossible.
    #[error(transparent)]
    Wire(#[from] crate::electrics::WireError),
    /// The circuit is impossible.
    #[error(transparent)]
    Circuit(#[from] crate::electrics::CircuitError),
}

const COPPER: &str = "R = R0 (K + T) / (K + T0), K = 234.45 °C, from copper's 0.00393 /K at 20 °C (IEC 60028)";

/// A coil's ohms, and at which temperatures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct CoilOhms {
    /// In Ω.
    pub ohms: Uncertain,
    /// The temperature at which it has them, °C.
    pub given_at: f64,
    /// The temperature that it has when it carries current, °C; none where that is the same.
    pub warm_at: Option<f64>,
}

impl CoilOhms {
    /// The ohms while it carries current.
    fn warm(self) -> Result<Uncertain, CalculationError> {
        let Some(celsius) = self.warm_at else { return Ok(self.ohms) };
        let (copper, cold) = (Copper::iec_60028(), |celsius| CalculationError::Temperature { celsius });
        let alpha = copper.alpha_at(self.given_at).ok_or(cold(self.given_at))?;
        let warm = copper.correct(self.ohms, Uncertain::exact(self.given_at), celsius).ok_or(cold(celsius))?;
        // A typed temperature is right within a few degrees. Without an accuracy of the ohms no uncertainty is shown at all.
        let of_typing = Uncertain::rectangular(celsius, TYPED_TOLERANCE).u * alpha * self.ohms.value;
        Ok(if self.ohms.u > 0.0 { warm.widened(of_typing) } else { warm })
    }

    fn add_source(self, source: &mut String) {
        if self.warm_at.is_some() {
            *source = format!("{source}; {COPPER}");
        }
    }
}

/// A coil held on: amps and watts.
pub(super) fn coil(volts: Uncertain, coil: CoilOhms) -> Result<Calculation, CalculationError> {
    let warm = coil.warm()?;
    let wrong = CalculationError::Ohms { ohms: warm.value };
    let amps = current(volts, warm).ok_or_else(|| wrong.clone())?;
    let watts = power_at(volts, warm).ok_or(wrong)?;
    let mut sum = Calculation::new("I = V / R, P = V² / R (Ohm, Joule)");
    if coil.warm_at.is_some() {
        sum.add("ohms", warm, Quantity::Ohms);
    }
    sum.add("amps", amps, Quantity::AmpsDc);
    sum.add("watts", watts, Quantity::Power);
    sum.notes
        .push("for a coil that is fully on; a clamp shows less where the driver switches on and off fast".to_owned());
    coil.add_source(&mut sum.source);
    Ok(sum)
}

/// One conductor at a current in A: ohms, volts, watts and the share of a 12 V or 24 V system.
pub(super) fn wire(wire: &Wire, amps: f64) -> Result<Calculation, CalculationError> {
    let ohms = wire.resistance()?;
    let volts = wire.drop(amps)?.abs();
    let (sizes, note) = match wire.size {
        crate::electrics::ConductorSize::Awg(_) => ("ASTM B258 and 1/58 ohm mm²/m at 20 °C (IEC 60028)", BARE),
        crate::electrics::ConductorSize::Section { .. } => ("1/58 ohm mm²/m at 20 °C (IEC 60028)", BARE),
        crate::electrics::ConductorSize::Iec60228 { .. } => ("IEC 60228, plain copper, greatest at 20 °C", MOST),
    };
    let mut sum = Calculation::new(&format!("R from {sizes}; V = I R; {COPPER}"));
    sum.add("ohms", Uncertain::exact(ohms), Quantity::Ohms);
    sum.add("volts", Uncertain::exact(volts), Quantity::VoltsDc);
    sum.add("watts", Uncertain::exact(volts * amps.abs()), Quantity::Power);
    sum.add("share_of_12_V", Uncertain::exact(volts / 12.0 * 100.0), Quantity::Share);
    sum.add("share_of_24_V", Uncertain::exact(volts / 24.0 * 100.0), Quantity::Share);
    sum.notes
        .push(format!("one conductor at {:.0} °C; feed and return are twice that, and joints add to it", wire.celsius));
    sum.notes.push(note.to_owned());
    Ok(sum)
}

const BARE: &str = "bare copper of that section; a made cable may have about a sixth more: see --class";
const MOST: &str = "the most that the standard allows; a good cable has a little less";

/// What a coil shows when it is warm, °C.
pub(super) fn warm_ohms(nominal: NominalOhms, given_at: f64, celsius: f64) -> Result<Calculation, CalculationError> {
    let copper = Copper::iec_60028();
    copper.alpha_at(given_at).ok_or(CalculationError::Temperature { celsius: given_at })?;
    let ratio = copper.ratio(given_at, celsius).ok_or(CalculationError::Temperature { celsius })?;
    let mut sum = Calculation::new(COPPER);
    sum.add("ohms", Uncertain::exact(nominal.ohms * ratio), Quantity::Ohms);
    if nominal.within > 0.0 {
        sum.add("least", Uncertain::exact((nominal.ohms - nominal.within) * ratio), Quantity::Ohms);
        sum.add("most", Uncertain::exact((nominal.ohms + nominal.within) * ratio), Quantity::Ohms);
    }
    Ok(sum)
}

/// Which temperature would explain the ohms that a coil shows.
pub(super) fn explained(nominal: NominalOhms, given_at: f64, shown: f64) -> Result<Calculation, CalculationError> {
    let at = |ohms: f64| {
        Copper::iec_60028()
            .explaining_temperature(Uncertain::exact(shown), Uncertain::exact(ohms), given_at)
            .ok_or(CalculationError::Temperature { celsius: given_at })
    };
    let mut sum = Calculation::new(COPPER);
    sum.add("temperature", at(nominal.ohms)?, Quantity::Temperature);
    if nominal.within > 0.0 {
        sum.add("coldest", at(nominal.ohms + nominal.within)?, Quantity::Temperature);
        sum.add("warmest", at(nominal.ohms - nominal.within)?, Quantity::Temperature);
    }
    sum.notes.push("if the coil can't be that warm or cold, temperature does not explain the ohms".to_owned());
    Ok(sum)
}

/// The resistance in the circuit beside the coil, from the current that is missing.
pub(super) fn joint(volts: Uncertain, coil: CoilOhms, amps: Uncertain) -> Result<Calculation, CalculationError> {
    let circuit =
        MeasuredCircuit { source_v: volts, coil_ohms: coil.warm()?, amps, drops: Drops::default(), volts_gain_u: 0.0 };
    let balance = circuit.balance()?;
    let lost = balance.lost;
    let mut sum = Calculation::new("R = V / I - R_coil, P = I V - I² R_coil (Ohm, Joule)");
    sum.add("extra_ohms", lost.ohms, Quantity::Ohms);
    sum.add("watts", lost.watts, Quantity::Power);
    sum.add("volts", lost.volts, Quantity::VoltsDc);
    sum.add("amps_without", balance.expected_a, Quantity::AmpsDc);
    sum.notes.push(if lost.ohms.value <= 2.0 * lost.ohms.u {
        "no extra resistance found: the coil draws what volts and ohms allow, or more".to_owned()
    } else {
        "everything in the circuit but the coil; measure the drop on each side under load to see where it is".to_owned()
    });
    coil.add_source(&mut sum.source);
    Ok(sum)
}

impl Calculation {
    fn new(source: &str) -> Self {
        Self { figures: Vec::new(), notes: Vec::new(), source: source.to_owned() }
    }

    fn add(&mut self, name: &'static str, value: Uncertain, quantity: Quantity) {
        self.figures.push(CalculatedFigure { name, value, quantity });
    }

    /// A line for each figure, with expanded uncertainty (k = 2) where known, then the notes and the source.
    pub(super) fn text(&self) -> String {
        let width = self.figures.iter().map(|figure| figure.name.len()).max().unwrap_or(0);
        let mut text = String::new();
        for CalculatedFigure { name, value, quantity } in &self.figures {
            let shown = if value.u > 0.0 {
                format!("{} (k = 2)", show_with(value.value, value.expanded(2.0), *quantity))
            } else {
                show(value.value, *quantity)
            };
            text += &format!("{:width$}  {shown}\n", name.replace('_', " "));
        }
        for note in &self.notes {
            text += &format!("{note}\n");
        }
        text + &format!("source: {}\n", self.source)
    }

    /// The figures by name, each with value, unit and standard uncertainty (null where there is none).
    pub(super) fn json(&self) -> Value {
        let figures = self.figures.iter().map(|figure| {
            let u = (figure.value.u > 0.0).then_some(figure.value.u);
            (figure.name.to_owned(), json!({ "value": figure.value.value, "unit": figure.quantity.unit(), "u": u }))
        });
        let mut all: Map<String, Value> = figures.collect();
        all.insert("notes".to_owned(), json!(self.notes));
        all.insert("source".to_owned(), json!(self.source));
        Value::Object(all)
    }
}

#[cfg(test)]
#[path = "calculation_tests.rs"]
mod tests;
