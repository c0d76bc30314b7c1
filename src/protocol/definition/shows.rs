//! Words for what a display shows, flags and codes: parts that several kinds of `[decode]` share.

use std::collections::BTreeMap;

use serde::Deserialize;
use toml::Spanned;

use super::file::File;
use crate::{
    mistake::Mistake,
    protocol::decode::{BitsForm, DisplayEffect, FlagRule},
};

/// What something shows: a word, the place of the last digit, or several of these.
#[derive(Deserialize)]
#[serde(untagged)]
pub(super) enum ShowsText {
    Place(i8),
    Word(String),
    Several(Vec<ShowsText>),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FlagText {
    bit: Spanned<String>,
    #[serde(default)]
    form: BitsForm,
    when: Option<Spanned<WhenText>>,
    shows: Spanned<ShowsText>,
    otherwise: Option<Spanned<ShowsText>>,
    of: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WhenText {
    at: Spanned<usize>,
    is: String,
}

/// Values of a code with what they say.
pub(super) type IsText = BTreeMap<String, Spanned<ShowsText>>;

impl File<'_> {
    pub(super) fn effects(&self, shows: &Spanned<ShowsText>) -> Result<Vec<DisplayEffect>, Mistake> {
        let mut effects = Vec::new();
        self.add_effects(shows.get_ref(), shows.span(), &mut effects)?;
        Ok(effects)
    }

    fn add_effects(
        &self,
        shows: &ShowsText,
        span: std::ops::Range<usize>,
        effects: &mut Vec<DisplayEffect>,
    ) -> Result<(), Mistake> {
        match shows {
            ShowsText::Place(place) => effects.push(DisplayEffect::Place(*place)),
            ShowsText::Word(word) if word.is_empty() => {}
            ShowsText::Word(word) => effects.push(DisplayEffect::read(word).ok_or_else(|| {
                self.mistake(
                    span,
                    format!(
                        "found \"{word}\", expected a unit, a prefix, \"AC\", \"DC\", \"minus\", \"over\", \"under\", \
                         \"no value\", or one of \"hold\", \"relative\", \"minimum\", \"maximum\", \"low battery\", \
                         \"auto\", \"mean\", \"peak\""
                    ),
                )
            })?),
            ShowsText::Several(all) => {
                for one in all {
                    self.add_effects(one, span.clone(), effects)?;
                }
            }
        }
        Ok(())
    }

    pub(super) fn flags(&self, flags: Vec<FlagText>, names: &[String]) -> Result<Vec<FlagRule>, Mistake> {
        flags.into_iter().map(|flag| self.flag(flag, names)).collect()
    }

    fn flag(&self, flag: FlagText, names: &[String]) -> Result<FlagRule, Mistake> {
        let when = match flag.when {
            None => None,
            Some(when) => {
                let span = when.span();
                let when = when.into_inner();
                let value = code(&when.is).and_then(|code| u8::try_from(code).ok());
                let wrong = || self.mistake(span, "expected `is` to be a character, or a byte as in \"0x3b\"");
                Some((self.place(&when.at)?, value.ok_or_else(wrong)?))
            }
        };
        let of = match &flag.of {
            None => None,
            Some(name) => {
                let known = names.iter().position(|known| known == name.get_ref());
                let wrong =
                    || self.mistake(name.span(), format!("found \"{}\", expected a value's name", name.get_ref()));
                Some(known.ok_or_else(wrong)? as u16)
            }
        };
        Ok(FlagRule {
            bit: self.bit(&flag.bit)?,
            form: flag.form,
            when,
            set: self.effects(&flag.shows)?,
            clear: flag.otherwise.as_ref().map_or(Ok(Vec::new()), |otherwise| self.effects(otherwise))?,
            of,
        })
    }

    /// Values of a binary code.
    pub(super) fn codes(&self, is: &IsText) -> Result<Vec<(i64, Vec<DisplayEffect>)>, Mistake> {
        let values = is.iter().map(|(value, shows)| {
            let wrong = || self.mistake(shows.span(), format!("found the code \"{value}\", expected a number"));
            Ok((number(value).ok_or_else(wrong)?, self.effects(shows)?))
        });
        values.collect()
    }
}

/// `7`, `-1` or `0x3b`.
fn number(text: &str) -> Option<i64> {
    match text.strip_prefix("0x") {
        Some(digits) => i64::from_str_radix(digits, 16).ok(),
        None => text.parse().ok(),
    }
}

/// One character, or a byte as `0x3b`.
fn code(text: &str) -> Option<i64> {
    match text.as_bytes() {
        [byte] => Some(i64::from(*byte)),
        _ => number(text).filter(|_| text.starts_with("0x")),
    }
}
