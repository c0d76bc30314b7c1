//! A value in JSON: a number, or `"over"` and `"under"` for what is beyond the range.

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use utoipa::{
    PartialSchema, ToSchema,
    openapi::{
        RefOr,
        schema::{ObjectBuilder, OneOfBuilder, Schema, Type},
    },
};

use super::Value;

const OVER: &str = "over";
const UNDER: &str = "under";

impl PartialSchema for Value {
    fn schema() -> RefOr<Schema> {
        let words = ObjectBuilder::new().schema_type(Type::String).enum_values(Some([OVER, UNDER]));
        OneOfBuilder::new().item(ObjectBuilder::new().schema_type(Type::Number)).item(words).into()
    }
}

impl ToSchema for Value {}

#[derive(Deserialize)]
#[serde(untagged)]
enum NumberOrWord {
    Number(f64),
    Word(String),
}

impl Serialize for Value {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Number(number) => to.serialize_f64(*number),
            Self::Over => to.serialize_str(OVER),
            Self::Under => to.serialize_str(UNDER),
        }
    }
}

impl<'de> Deserialize<'de> for Value {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        match NumberOrWord::deserialize(from)? {
            NumberOrWord::Number(number) => Ok(Self::Number(number)),
            NumberOrWord::Word(word) if word == OVER => Ok(Self::Over),
            NumberOrWord::Word(word) if word == UNDER => Ok(Self::Under),
            NumberOrWord::Word(word) => Err(serde::de::Error::unknown_variant(&word, &[OVER, UNDER])),
        }
    }
}
