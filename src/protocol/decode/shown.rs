//! What a meter shows beside its digits: units and prefixes, AC and DC, sign, overload,
//! annunciators; put together to a reading.
//!
//! Protocol files name these in words (`"mV"`, `"AC"`, `"hold"`, `"minus"`); a word becomes an
//! effect once, and frames only add up effects.

use crate::{
    protocol::{
        Annunciators, Function, Value,
        number::{Token, UnitMeaning, classify, read_unit, scaled},
        problem::Defect,
    },
    units::{Dimension, Quantity},
};

/// What one bit, code or word says.
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

impl DisplayEffect {
    /// An effect by its word: `"low battery"`, `"AC"`, `"k"`, `"mV"`, `"V DC"`, `"diode"`.
    pub(crate) fn read(word: &str) -> Option<Self> {
        let annunciator = || Annunciators::from_name(&word.to_uppercase().replace(' ', "_"));
        match word {
            "AC" => Some(Self::Alternating),
            "DC" => Some(Self::Direct),
            "minus" => Some(Self::Minus),
            "over" => Some(Self::Over),
            "under" => Some(Self::Under),
            "no value" => Some(Self::NoValue),
            _ if word.chars().all(|c| c.is_lowercase() || c == ' ') && annunciator().is_some() => {
                annunciator().map(Self::Annunciator)
            }
            _ => read_unit(word).map(Self::Unit),
        }
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
    place: Option<i8>,
    sign: Sign,
    beyond: Option<Value>,
    hidden: Visibility,
    pub annunciators: Annunciators,
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
        place: None,
        sign: Sign::Plus,
        beyond: None,
        hidden: Visibility::No,
        annunciators: Annunciators::empty(),
    };

    pub(crate) fn add_all(&mut self, effects: &[DisplayEffect]) {
        for effect in effects {
            self.add(effect);
        }
    }

    #[inline]
    pub(crate) fn add(&mut self, effect: &DisplayEffect) {
        match *effect {
            DisplayEffect::Annunciator(annunciator) => self.annunciators |= annunciator,
            DisplayEffect::Unit(told) => self.unit(told),
            DisplayEffect::Direct => self.add_current(CurrentKind::Direct),
            DisplayEffect::Alternating => self.add_current(CurrentKind::Alternating),
            DisplayEffect::Minus => self.sign = Sign::Minus,
            DisplayEffect::Over => self.beyond = Some(Value::Over),
            DisplayEffect::Under => self.beyond = Some(Value::Under),
            DisplayEffect::NoValue => self.hidden = Visibility::Yes,
            DisplayEffect::Place(place) => self.place = Some(place),
        }
    }

    fn unit(&mut self, told: UnitMeaning) {
        // A diode test also shows volts: what says more wins.
        if !matches!(self.function, Function::Exact(_)) && told.function != Function::Unknown {
            self.function = told.function;
        } else if let Function::Exact(_) = told.function {
            self.function = told.function;
        }
        self.factor *= told.factor;
        self.shift = self.shift.zip(told.shift).map(|(one, other)| one + other);
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

    /// A reading of whole digits; the last is worth 10^place of what is shown.
    ///
    /// # Errors
    /// No value is shown, or one that is no sensible number.
    pub(crate) fn digits(&self, digits: u64, place: i32) -> Result<Token, Defect> {
        let place = place + self.place.map_or(0, i32::from);
        let value = match self.shift {
            Some(shift) => scaled(digits, place + shift),
            None => scaled(digits, place) * self.factor,
        };
        self.signed(classify(value)?, self.shift.map(|shift| shift + place))
    }

    /// A reading whose number and perhaps unit were read from text.
    ///
    /// # Errors
    /// No value is shown, or one that is no sensible number.
    pub(crate) fn token(&self, token: Token) -> Result<Token, Defect> {
        let mut shown = *self;
        if token.function != Function::Unknown {
            // The text told its unit itself: only what says more about the same is kept.
            if !matches!((token.function, self.function()), (Function::Unit(unit), Function::Exact(quantity))
                if quantity.dimension() == unit)
            {
                shown.function = token.function;
            }
            (shown.factor, shown.shift) = (1.0, Some(0));
        }
        let value = match token.value {
            // Dividing by an exact power of ten rounds once.
            Value::Number(value) => classify(match shown.shift {
                Some(shift) if shift < 0 => value / 10f64.powi(-shift),
                _ => value * shown.factor,
            })?,
            beyond => beyond,
        };
        let place = token.place.zip(shown.shift).map(|(place, shift)| i32::from(place) + shift);
        shown.signed(value, place)
    }

    /// A reading beyond the range.
    ///
    /// # Errors
    /// No value is shown.
    pub(crate) fn over(&self) -> Result<Token, Defect> {
        self.signed(Value::Over, None)
    }

    fn signed(&self, value: Value, place: Option<i32>) -> Result<Token, Defect> {
        if self.hidden == Visibility::Yes {
            return Err(Defect::NoNumberShown);
        }
        let value = match (self.beyond.unwrap_or(value), self.sign) {
            (value, Sign::Plus) => value,
            (Value::Number(value), Sign::Minus) => Value::Number(-value),
            (Value::Over, Sign::Minus) => Value::Under,
            (Value::Under, Sign::Minus) => Value::Under,
        };
        let place = match value {
            Value::Number(_) => place.and_then(|place| i8::try_from(place).ok()),
            Value::Over | Value::Under => None,
        };
        Ok(Token { value, place, function: self.function() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(words: &[&str]) -> DisplayState {
        let mut shown = DisplayState::NOTHING;
        for word in words {
            shown.add(&DisplayEffect::read(word).unwrap_or_else(|| panic!("{word}")));
        }
        shown
    }

    #[test]
    fn words_add_up_to_a_reading() {
        let millivolts = shown(&["m", "V", "AC", "minus", "low battery"]);
        let token = millivolts.digits(1234, -1).unwrap();
        assert_eq!(token.value, Value::Number(-0.1234));
        assert_eq!((token.place, token.function), (Some(-4), Function::Exact(Quantity::VoltsAc)));
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
        assert_eq!(DisplayEffect::read("sparkles"), None);
    }

    #[test]
    fn a_unit_that_is_no_power_of_ten_tells_no_digit() {
        let token = shown(&["kn"]).digits(224, -1).unwrap();
        // One knot is 1.852 km/h exactly.
        let Value::Number(value) = token.value else { panic!("{token:?}") };
        assert!((value - 41.4848).abs() < 1e-12 && token.place.is_none());
    }
}
