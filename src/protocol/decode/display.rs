//! What a meter shows beside its digits: units and prefixes, AC and DC, sign, overload,
//! annunciators; put together to a reading.
//!
//! Protocol files name these in words (`"mV"`, `"AC"`, `"hold"`, `"minus"`); a word becomes an
//! effect once, and frames only add up effects.

use std::{fmt, ops::Deref};

use serde::de::{self, Deserialize, Deserializer, SeqAccess, Unexpected, Visitor};

use crate::{
    protocol::{
        Annunciators, Function, Value,
        number::{Token, UnitMeaning, classify, read_unit, scaled, shifted},
        problem::Defect,
    },
    units::{Dimension, Quantity},
    words::word_list,
};

/// What one bit, code or word shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::protocol) enum DisplayEffect {
    Annunciator(Annunciators),
    /// A unit, a prefix, or both.
    Unit(UnitMeaning),
    Alternating,
    Direct,
    Minus,
    Over,
    Under,
    /// What is shown must not be taken for a value.
    NoValue,
    /// The last digit is worth 10^this of the unit.
    Place(i8),
}

/// The words of files for effects. Units, prefixes and quantities are words too: those of `units`.
const EFFECT_WORDS: [(&str, DisplayEffect); 6] = [
    ("AC", DisplayEffect::Alternating),
    ("DC", DisplayEffect::Direct),
    ("minus", DisplayEffect::Minus),
    ("over", DisplayEffect::Over),
    ("under", DisplayEffect::Under),
    ("no value", DisplayEffect::NoValue),
];

impl DisplayEffect {
    /// An effect by its word: `"low battery"`, `"AC"`, `"k"`, `"mV"`, `"V DC"`, `"diode"`.
    fn from_word(word: &str) -> Result<Self, String> {
        let own = EFFECT_WORDS.iter().find(|(known, _)| *known == word).map(|(_, effect)| *effect);
        let annunciator = || Annunciators::from_word(word).map(Self::Annunciator);
        own.or_else(annunciator).or_else(|| read_unit(word).map(Self::Unit)).ok_or_else(|| {
            let words = EFFECT_WORDS.iter().map(|(word, _)| *word).chain(Annunciators::WORDS.map(|(word, _)| word));
            format!("found \"{word}\", expected a unit, a prefix, or {}", word_list(words))
        })
    }
}

/// What a bit, code or word shows: in files a word, the decade of the last digit, or a list of these.
#[derive(Debug, Clone, Default)]
pub(in crate::protocol) struct DisplayEffects(Vec<DisplayEffect>);

impl Deref for DisplayEffects {
    type Target = [DisplayEffect];

    fn deref(&self) -> &[DisplayEffect] {
        &self.0
    }
}

impl<'de> Deserialize<'de> for DisplayEffects {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        from.deserialize_any(EffectsVisitor)
    }
}

pub(super) struct EffectsVisitor;

impl<'de> Visitor<'de> for EffectsVisitor {
    type Value = DisplayEffects;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a word, a power of ten, or a list of them")
    }

    fn visit_i64<E: de::Error>(self, decade: i64) -> Result<DisplayEffects, E> {
        let decade = i8::try_from(decade).map_err(|_| E::invalid_value(Unexpected::Signed(decade), &"i8"))?;
        Ok(DisplayEffects(vec![DisplayEffect::Place(decade)]))
    }

    fn visit_str<E: de::Error>(self, word: &str) -> Result<DisplayEffects, E> {
        let effects =
            if word.is_empty() { Vec::new() } else { vec![DisplayEffect::from_word(word).map_err(E::custom)?] };
        Ok(DisplayEffects(effects))
    }

    fn visit_seq<S: SeqAccess<'de>>(self, mut list: S) -> Result<DisplayEffects, S::Error> {
        let mut effects = Vec::new();
        while let Some(DisplayEffects(more)) = list.next_element()? {
            effects.extend(more);
        }
        Ok(DisplayEffects(effects))
    }
}

/// The effects of a frame, added up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::protocol) struct DisplayState {
    function: Function,
    current: CurrentKind,
    factor: f64,
    /// The factor as a power of ten; none where it is none.
    shift: Option<i32>,
    decade: Option<i8>,
    sign: Sign,
    beyond: Option<Value>,
    hidden: Visibility,
    units: UnitAgreement,
    pub annunciators: Annunciators,
}

impl Default for DisplayState {
    fn default() -> Self {
        Self::NOTHING
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum CurrentKind {
    Unknown,
    Direct,
    Alternating,
    /// AC and DC together: one number for both.
    Both,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sign {
    Plus,
    Minus,
}

/// Whether all units that are shown can be of one value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum UnitAgreement {
    Agree,
    /// Such as ohm and farad: no display shows both for one number, so the frame is damaged.
    Contradict,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Visibility {
    No,
    Yes,
}

impl DisplayState {
    pub(crate) const NOTHING: Self = Self {
        function: Function::Unknown,
        current: CurrentKind::Unknown,
        factor: 1.0,
        shift: Some(0),
        decade: None,
        sign: Sign::Plus,
        beyond: None,
        hidden: Visibility::No,
        units: UnitAgreement::Agree,
        annunciators: Annunciators::empty(),
    };

    pub(crate) fn add_all(&mut self, effects: &[DisplayEffect]) {
        for effect in effects {
            self.add(effect);
        }
    }

    /// Adds what is shown beside one value alone. Where it has a unit of another dimension, what all values of the frame have in
    /// common is not its unit.
    pub(crate) fn add_own(&mut self, effects: &[DisplayEffect]) {
        let own = effects.iter().find_map(|effect| match effect {
            DisplayEffect::Unit(UnitMeaning { function, .. }) => function.dimension(),
            _ => None,
        });
        if own.is_some_and(|own| self.function().dimension().is_some_and(|common| common != own)) {
            let Self { sign, beyond, hidden, annunciators, .. } = *self;
            *self = Self { sign, beyond, hidden, annunciators, ..Self::NOTHING };
        }
        self.add_all(effects);
    }

    /// Whether this shows the same function and unit as another.
    pub(crate) fn has_function_of(&self, other: &Self) -> bool {
        (self.function(), self.shift) == (other.function(), other.shift) && self.factor == other.factor
    }

    #[inline]
    pub(crate) fn add(&mut self, effect: &DisplayEffect) {
        match *effect {
            DisplayEffect::Annunciator(annunciator) => self.annunciators |= annunciator,
            DisplayEffect::Unit(reported) => self.unit(reported),
            DisplayEffect::Direct => self.add_current(CurrentKind::Direct),
            DisplayEffect::Alternating => self.add_current(CurrentKind::Alternating),
            DisplayEffect::Minus => self.sign = Sign::Minus,
            DisplayEffect::Over => self.beyond = Some(Value::Over),
            DisplayEffect::Under => self.beyond = Some(Value::Under),
            DisplayEffect::NoValue => self.hidden = Visibility::Yes,
            DisplayEffect::Place(decade) => self.decade = Some(decade),
        }
    }

    fn unit(&mut self, reported: UnitMeaning) {
        if let Some((shown, more)) = self.function.dimension().zip(reported.function.dimension())
            && shown != more
        {
            self.units = UnitAgreement::Contradict;
        }
        // A diode test also shows volts: the more exact one counts.
        if !matches!(self.function, Function::Exact(_)) && reported.function != Function::Unknown {
            self.function = reported.function;
        } else if let Function::Exact(_) = reported.function {
            self.function = reported.function;
        }
        self.factor *= reported.factor;
        self.shift = self.shift.zip(reported.shift).map(|(one, other)| one + other);
    }

    fn add_current(&mut self, current: CurrentKind) {
        self.current =
            if self.current == CurrentKind::Unknown || self.current == current { current } else { CurrentKind::Both };
    }

    fn function(&self) -> Function {
        match (self.function, self.current) {
            (Function::Unit(Dimension::Volt), CurrentKind::Direct) => Function::Exact(Quantity::VoltsDc),
            (Function::Unit(Dimension::Volt), CurrentKind::Alternating) => Function::Exact(Quantity::VoltsAc),
            (Function::Unit(Dimension::Ampere), CurrentKind::Direct) => Function::Exact(Quantity::AmpsDc),
            (Function::Unit(Dimension::Ampere), CurrentKind::Alternating) => Function::Exact(Quantity::AmpsAc),
            (function, _) => function,
        }
    }

    /// A reading of whole digits; the last is worth 10^decade of what is shown.
    ///
    /// # Errors
    /// No value is shown, or one that is no sensible number.
    pub(crate) fn digits(&self, digits: u64, decade: i32) -> Result<Token, Defect> {
        let decade = decade + self.decade.map_or(0, i32::from);
        let value = match self.shift {
            Some(shift) => scaled(digits, decade + shift),
            None => scaled(digits, decade) * self.factor,
        };
        self.signed(classify(value)?, self.shift.map(|shift| shift + decade))
    }

    /// A reading whose number and perhaps unit were read from text.
    ///
    /// # Errors
    /// No value is shown, or one that is no sensible number.
    pub(crate) fn token(&self, token: Token) -> Result<Token, Defect> {
        let mut shown = *self;
        // The decade of the last digit moves the point of the number as it was sent.
        let point = shown.decade.map_or(0, i32::from);
        if token.function != Function::Unknown {
            // The text has a unit of its own: only a more exact function of the same unit is kept.
            if !matches!((token.function, self.function()), (Function::Unit(unit), Function::Exact(quantity))
                if quantity.dimension() == unit)
            {
                shown.function = token.function;
            }
            (shown.factor, shown.shift) = (1.0, Some(0));
        }
        let value = match token.value {
            Value::Number(value) => classify(match shown.shift {
                Some(shift) => shifted(value, token.decade.map(i32::from), shift + point),
                None => value * shown.factor * 10f64.powi(point),
            })?,
            beyond => beyond,
        };
        let decade = token.decade.zip(shown.shift).map(|(decade, shift)| i32::from(decade) + shift + point);
        shown.signed(value, decade)
    }

    /// A reading beyond the range.
    ///
    /// # Errors
    /// No value is shown.
    pub(crate) fn over(&self) -> Result<Token, Defect> {
        self.signed(Value::Over, None)
    }

    fn signed(&self, value: Value, decade: Option<i32>) -> Result<Token, Defect> {
        if self.hidden == Visibility::Yes {
            return Err(Defect::NoNumberShown);
        }
        if self.units == UnitAgreement::Contradict {
            return Err(Defect::UnitsContradict);
        }
        let value = match (self.beyond.unwrap_or(value), self.sign) {
            (value, Sign::Plus) => value,
            (Value::Number(value), Sign::Minus) => Value::Number(-value),
            (Value::Over, Sign::Minus) => Value::Under,
            (Value::Under, Sign::Minus) => Value::Under,
        };
        let decade = match value {
            Value::Number(_) => decade.and_then(|decade| i8::try_from(decade).ok()),
            Value::Over | Value::Under => None,
        };
        Ok(Token { value, decade, function: self.function() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(words: &[&str]) -> DisplayState {
        let mut shown = DisplayState::NOTHING;
        for word in words {
            shown.add(&DisplayEffect::from_word(word).unwrap());
        }
        shown
    }

    #[test]
    fn words_add_up_to_a_reading() {
        let millivolts = shown(&["m", "V", "AC", "minus", "low battery"]);
        let token = millivolts.digits(1234, -1).unwrap();
        assert_eq!(token.value, Value::Number(-0.1234));
        assert_eq!((token.decade, token.function), (Some(-4), Function::Exact(Quantity::VoltsAc)));
        assert_eq!(millivolts.annunciators, Annunciators::LOW_BATTERY);
        assert_eq!(shown(&["diode", "V", "DC"]).digits(5, 0).unwrap().function, Function::Exact(Quantity::Diode));
        assert_eq!(shown(&["V", "diode"]).digits(5, 0).unwrap().function, Function::Exact(Quantity::Diode));
        assert_eq!(shown(&["V", "AC", "DC"]).digits(5, 0).unwrap().function, Function::Unit(Dimension::Volt));
        assert_eq!(shown(&["M", "ohm"]).digits(4700, -3).unwrap().value, Value::Number(4.7e6));
    }

    #[test]
    fn too_much_and_nothing() {
        assert_eq!(shown(&["over", "ohm"]).digits(0, 0).unwrap().value, Value::Over);
        assert_eq!(shown(&["minus", "V"]).over().unwrap().value, Value::Under);
        assert_eq!(shown(&["no value"]).digits(1, 0), Err(Defect::NoNumberShown));
        let unknown = DisplayEffect::from_word("sparkles").unwrap_err();
        for (word, effect) in EFFECT_WORDS {
            assert_eq!(DisplayEffect::from_word(word), Ok(effect));
            crate::protocol::tests::check_guide(word);
            assert!(unknown.contains(&format!("\"{word}\"")), "{unknown}");
        }
        for (word, annunciator) in Annunciators::WORDS {
            assert_eq!(DisplayEffect::from_word(word), Ok(DisplayEffect::Annunciator(annunciator)));
            crate::protocol::tests::check_guide(word);
            assert!(unknown.contains(&format!("\"{word}\"")), "{unknown}");
        }
    }

    #[test]
    fn units_that_no_display_shows_together_are_damage() {
        assert_eq!(shown(&["ohm", "F"]).digits(5, 0), Err(Defect::UnitsContradict));
        assert_eq!(shown(&["V DC", "kohm"]).over(), Err(Defect::UnitsContradict));
        assert!(shown(&["ohm", "continuity"]).digits(5, 0).is_ok());
    }

    #[test]
    fn a_unit_of_its_own_stands_before_one_that_all_have() {
        let mut own = shown(&["mV", "AC", "hold"]);
        own.add_own(&[DisplayEffect::from_word("°C").unwrap()]);
        let token = own.digits(63, 0).unwrap();
        assert_eq!((token.value, token.function), (Value::Number(63.0), Function::Unit(Dimension::Celsius)));
        assert_eq!(own.annunciators, Annunciators::HOLD);
        // Of the same dimension they add up.
        let mut more = shown(&["AC"]);
        more.add_own(&[DisplayEffect::from_word("V").unwrap()]);
        assert_eq!(more.digits(1, 0).unwrap().function, Function::Exact(Quantity::VoltsAc));
    }

    #[test]
    fn a_unit_that_is_no_power_of_ten_tells_no_digit() {
        let token = shown(&["kn"]).digits(224, -1).unwrap();
        // One knot is 1.852 km/h exactly.
        let Value::Number(value) = token.value else { panic!("{token:?}") };
        assert!((value - 41.4848).abs() < 1e-12 && token.decade.is_none());
    }
}
