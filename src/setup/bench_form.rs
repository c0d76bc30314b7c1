//! The form of a bench: what was filled in becomes a bench file that a person can read and change.

use serde::{Deserialize, Serialize};
use utoipa::{
    PartialSchema, ToSchema,
    openapi::{Object, RefOr, Schema},
};

/// What stands above a bench file that was put together by form.
const ABOUT: &str = "# Bench file, filled in on bayline's page. Change it by hand as you like: README.md explains the keys,\n# `bayline check --bench FILE` looks at it.\n\n";

/// A bench file with the keys of the form first; keys that the form does not show are kept.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub(crate) struct BenchForm {
    meter: Vec<MeterForm>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    derived: Vec<toml::Table>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct MeterForm {
    name: String,
    port: String,
    protocol: String,
    #[serde(flatten)]
    others: toml::Table,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    channel: Vec<ChannelForm>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct ChannelForm {
    name: String,
    #[serde(flatten)]
    others: toml::Table,
}

/// In the document of the server the schema of bench files stands in this one's place.
impl PartialSchema for BenchForm {
    fn schema() -> RefOr<Schema> {
        Object::new().into()
    }
}

impl ToSchema for BenchForm {}

impl BenchForm {
    /// The form of a bench file.
    ///
    /// # Errors
    /// It is no bench file.
    pub(crate) fn of(text: &str) -> Result<Self, toml::de::Error> {
        toml::from_str(text)
    }

    /// The bench file of what was filled in; fields that were left empty are left out.
    ///
    /// # Errors
    /// A value can't stand in a file.
    pub(crate) fn text(mut self) -> Result<String, toml::ser::Error> {
        let is_given = |value: &toml::Value| value.as_str().is_none_or(|text| !text.trim().is_empty());
        for meter in &mut self.meter {
            meter.others.retain(|_, value| is_given(value));
            for channel in &mut meter.channel {
                channel.others.retain(|_, value| is_given(value));
            }
        }
        Ok(format!("{ABOUT}{}", toml::to_string(&self)?))
    }

    /// The ports that it names.
    pub(crate) fn ports(&self) -> impl Iterator<Item = &str> {
        self.meter.iter().map(|meter| meter.port.as_str())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{channel::Bench, protocol::Library};

    #[test]
    fn a_filled_in_form_is_a_bench_file_and_back() {
        let form: BenchForm = serde_json::from_value(serde_json::json!({ "meter": [{
            "name": "clamps", "port": "/dev/ttyUSB0", "protocol": "columns", "baud": 115_200,
            "channel": [
                { "name": "lift \"coil\"", "reads": "v1", "quantity": "A DC", "scale": "100 mV/A", "accuracy": "1.5 % + 20 mA" },
                { "name": "tilt coil", "reads": "v2", "quantity": "A DC", "scale": "", "accuracy": " " },
            ],
        }] }))
        .unwrap();
        assert_eq!(form.ports().collect::<Vec<_>>(), ["/dev/ttyUSB0"]);
        let text = form.text().unwrap();
        let bench = Bench::parse("bench.toml", &text, &Library::new(Vec::new())).unwrap();
        assert_eq!(bench.channel_names().unwrap(), ["lift \"coil\"", "tilt coil"]);
        assert!(bench.meters[0].channels[1].conversion.scale.is_none());
        let name_first = "[[meter]]\nname = \"clamps\"\nport = \"/dev/ttyUSB0\"\nprotocol = \"columns\"\nbaud = 115200\n\n[[meter.channel]]\nname =";
        assert!(text.contains(name_first), "{text}");
        assert_eq!(BenchForm::of(&text).unwrap().text().unwrap(), text);
    }
}
