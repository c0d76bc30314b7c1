//! The demo's own bench file and procedure, as a person would write them.
//!
//! Plain text: what reads it is no part of the demo. The figures fit the invented machine alone.

use super::bench::InstrumentPort;

/// The bench file's text with the ports' names in it.
pub(crate) fn bench(ports: &[InstrumentPort]) -> String {
    ports.iter().fold(include_str!("files/bench.toml").to_owned(), |text, port| {
        let name = port.path.to_string_lossy().replace('\\', "\\\\").replace('"', "\\\"");
        text.replace(&format!("{{{}}}", port.instrument.name()), &name)
    })
}

/// The procedure's text.
pub(crate) fn procedure() -> &'static str {
    include_str!("files/procedure.toml")
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::demo::bench::SimulatedInstrument;
    use crate::demo::circuit::LoaderCoil;
    use crate::demo::meter::ClampBoard;
    use crate::units::{Accuracy, Limit, Measure, Quantity, Scale};
    use toml::{Table, Value};

    impl SimulatedInstrument {
        /// The protocol it speaks.
        const fn protocol(self) -> &'static str {
            match self {
                Self::Clamps => "columns-ms",
                Self::Handheld => "number",
                Self::Supply => "pairs",
            }
        }
    }

    /// The steps of the procedure, in order.
    pub(in crate::demo) fn steps() -> Vec<Table> {
        tables(&toml::from_str(procedure()).unwrap(), "step")
    }

    /// The one limit of a step.
    pub(in crate::demo) fn limit_of(step: &Table) -> Limit {
        let text = |key: &str| step.get(key).map(|value| value.as_str().unwrap());
        match (text("at_least"), text("at_most"), text("between"), text("nominal")) {
            (Some(least), None, None, None) => Limit::at_least(least.parse::<Measure>().unwrap()),
            (None, Some(most), None, None) => Limit::at_most(most.parse::<Measure>().unwrap()),
            (None, None, Some(pair), None) => Limit::between(pair).unwrap(),
            (None, None, None, Some(nominal)) => Limit::nominal(nominal).unwrap(),
            _ => panic!("one limit each: {step:?}"),
        }
    }

    /// Whether a value keeps to a step's limit.
    pub(in crate::demo) fn keeps(step: &str, value: f64) -> bool {
        let limit = limit_of(steps().iter().find(|entry| entry["name"].as_str() == Some(step)).unwrap());
        limit.low.is_none_or(|low| value >= low) && limit.high.is_none_or(|high| value <= high)
    }

    fn tables(value: &Value, key: &str) -> Vec<Table> {
        value[key].as_array().unwrap().iter().map(|entry| entry.as_table().unwrap().clone()).collect()
    }

    fn bench_file() -> Value {
        let ports = SimulatedInstrument::ALL
            .map(|instrument| InstrumentPort { instrument, path: format!("/x/{instrument:?}\"").into() });
        toml::from_str(&bench(&ports)).unwrap()
    }

    /// Each channel with its meter and its quantity.
    fn channels() -> Vec<(String, String, Option<Quantity>)> {
        let channels = tables(&bench_file(), "meter").into_iter().flat_map(|meter| {
            let name = meter["name"].as_str().unwrap().to_owned();
            tables(&Value::Table(meter), "channel").into_iter().map(move |channel| {
                let quantity = channel.get("quantity").map(|text| text.as_str().unwrap().parse().unwrap());
                (name.clone(), channel["name"].as_str().unwrap().to_owned(), quantity)
            })
        });
        channels.collect()
    }

    #[test]
    fn the_bench_names_each_port() {
        for (meter, instrument) in tables(&bench_file(), "meter").iter().zip(SimulatedInstrument::ALL) {
            assert_eq!(meter["name"].as_str(), Some(instrument.name()));
            assert_eq!(meter["protocol"].as_str(), Some(instrument.protocol()));
            assert_eq!(meter["port"].as_str(), Some(format!("/x/{instrument:?}\"").as_str()));
        }
    }

    #[test]
    fn the_bench_has_a_clamp_for_each_coil() {
        let clamps = tables(&Value::Table(tables(&bench_file(), "meter")[0].clone()), "channel");
        let columns = ClampBoard::HEADER.split(',').skip(1);
        for ((channel, coil), column) in clamps.iter().zip(LoaderCoil::ALL).zip(columns) {
            assert_eq!(channel["name"].as_str(), Some(coil.word()));
            assert_eq!(channel["reads"].as_str(), Some(column));
            let scale: Scale = channel["scale"].as_str().unwrap().parse().unwrap();
            assert!((scale.factor * ClampBoard::VOLTS_PER_AMP - 1.0).abs() < 1e-12);
            assert!(channel["accuracy"].as_str().unwrap().parse::<Accuracy>().is_ok());
        }
    }

    #[test]
    fn the_procedure_asks_for_what_the_bench_has() {
        let channels = channels();
        let file: Value = toml::from_str(procedure()).unwrap();
        assert!(file["caution"].as_str().unwrap().contains("level ground"));
        for step in steps() {
            let text = |key: &str| step.get(key).map(|value| value.as_str().unwrap());
            let has = |name: Option<&str>| channels.iter().any(|(_, channel, _)| name == Some(channel));
            if let Some(rules) = step.get("when") {
                let rules = rules.as_array().unwrap();
                let named = rules.iter().flat_map(|rule| ["change", "channel"].map(|key| rule[key].as_str()));
                assert!(named.into_iter().all(has), "{step:?}");
                continue;
            }
            let wanted: Quantity = text("quantity").unwrap().parse().unwrap();
            let (_, _, has) = channels.iter().find(|(_, name, _)| text("channel") == Some(name)).unwrap();
            assert!(has.is_none_or(|has| has == wanted), "{step:?}");
            let limit = limit_of(&step);
            assert_eq!(limit.dimension, wanted.dimension(), "{step:?}");
            assert!(["steady", "worst"].contains(&text("capture").unwrap()));
            assert!(text("do").is_some_and(|what| what.ends_with('.')) && text("circuit").is_some());
        }
    }
}
