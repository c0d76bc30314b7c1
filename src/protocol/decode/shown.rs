//! What a meter shows beside its digits: units and prefixes, AC and DC, sign, overload,
//! annunciators; put together to a reading.
//!
//! Protocol files name these in words (`"mV"`, `"AC"`, `"hold"`, `"minus"`); a word becomes an
//! effect once, and frames only add up effects.

use crate::{
    protocol::{
        Annunciators, Function, Value,
        number::{Token, Told, classify, read_unit, scaled},
        problem::Wrong,
    },
    units::{Dimension, Quantity},
};

/// What one bit, code or word says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::protocol) enum Effect {
    Annunciator(Annunciators),
    /// A unit, a prefix, or both.
    Unit(Told),
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

impl Effect {
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
pub(in crate::protocol) struct Shown {
    function: Function,
    current: Current,
    factor: f64,
    /// The factor as a power of ten; none where it is none.
    shift: Option<i32>,
    place: Option<i8>,
    sign: Sign,
    beyond: Option<Value>,
    hidden: Hidden,
    pub annunciators: Annunciators,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Current {
    Untold,
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
enum Hidden {
    No,
    Yes,
}

impl Shown {
    pub(crate) const NOTHING: Self = Self {
        function: Function::Untold,
        current: Current::Untold,
        factor: 1.0,
        shift: Some(0),
        place: None,
        sign: Sign::Plus,
        beyond: None,
        hidden: Hidden::No,
        annunciators: Annunciators::empty(),
    };

    pub(crate) fn add_all(&mut self, effects: &[Effect]) {
        for effect in effects {
            self.add(effect);
        }
    }

    #[inline]
    pub(crate) fn add(&mut self, effect: &Effect) {
        match *effect {
            Effect::Annunciator(annunciator) => self.annunciators |= annunciator,
            Effect::Unit(told) => self.unit(told),
            Effect::Direct => self.add_current(Current::Direct),
            Effect::Alternating => self.add_current(Current::Alternating),
            Effect::Minus => self.sign = Sign::Minus,
            Effect::Over => self.beyond = Some(Value::Over),
            Effect::Under => self.beyond = Some(Value::Under),
            Effect::NoValue => self.hidden = Hidden::Yes,
            Effect::Place(place) => self.place = Some(place),
        }
    }

    fn unit(&mut self, told: Told) {
        // A diode test also shows volts: what says more wins.
        if !matches!(self.function, Function::Exact(_)) && told.function != Function::Untold {
            self.function = told.function;
        } else if let Function::Exact(_) = told.function {
            self.function = told.function;
        }
        self.factor *= told.factor;
        self.shift = self.shift.zip(told.shift).map(|(one, other)| one + other);
    }

    fn add_current(&mut self, current: Current) {
        self.current = if self.current == Current::Untold || self.current == current { current } else { Current::Both };
    }

    fn function(&self) -> Function {
        match (self.function, self.current) {
            (Function::Unit(Dimension::Volt), Current::Direct) => Function::Exact(Quantity::VoltsDc),
            (Function::Unit(Dimension::Volt), Current::Alternating) => Function::Exact(Quantity::VoltsAc),
            (Function::Unit(Dimension::Ampere), Current::Direct) => Function::Exact(Quantity::AmpsDc),
            (Function::Unit(Dimension::Ampere), Current::Alternating) => Function::Exact(Quantity::AmpsAc),
            (function, _) => function,
        }
    }

    /// A reading of whole digits; the last is worth 10^place of what is shown.
    ///
    /// # Errors
    /// No value is shown, or one that is no sensible number.
    pub(crate) fn digits(&self, digits: u64, place: i32) -> Result<Token, Wrong> {
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
    pub(crate) fn token(&self, token: Token) -> Result<Token, Wrong> {
        let mut shown = *self;
        if token.function != Function::Untold {
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
    pub(crate) fn over(&self) -> Result<Token, Wrong> {
        self.signed(Value::Over, None)
    }

    fn signed(&self, value: Value, place: Option<i32>) -> Result<Token, Wrong> {
        if self.hidden == Hidden::Yes {
            return Err(Wrong::NoNumberShown);
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

    fn shown(words: &[&str]) -> Shown {
        let mut shown = Shown::NOTHING;
        for word in words {
            shown.add(&Effect::read(word).unwrap_or_else(|| panic!("{word}")));
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
        assert_eq!(shown(&["no value"]).digits(1, 0), Err(Wrong::NoNumberShown));
        assert_eq!(Effect::read("sparkles"), None);
    }

    #[test]
    fn a_unit_that_is_no_power_of_ten_tells_no_digit() {
        let token = shown(&["kn"]).digits(224, -1).unwrap();
        // One knot is 1.852 km/h exactly.
        let Value::Number(value) = token.value else { panic!("{token:?}") };
        assert!((value - 41.4848).abs() < 1e-12 && token.place.is_none());
    }
}
