//! How a meter's serial line is set, as the bench file says it.

use std::fmt::Display;

use toml::Spanned;

use super::bench::MeterTable;
use crate::{
    mistake::{Mistake, Source},
    port::{DataBits, Flow, Settings, StopBits},
};

/// How the line is set: what the meter's table says, and the rest as it is.
pub(super) fn settings(source: Source<'_>, table: &MeterTable, mut settings: Settings) -> Result<Settings, Mistake> {
    if let Some(baud) = &table.baud {
        let known = |baud| (baud > 0).then_some(baud);
        settings.baud = number(source, baud, known, "bits a second, such as 115200")?;
    }
    if let Some(bits) = &table.data_bits {
        settings.data_bits = number(source, bits, DataBits::of, "5, 6, 7 or 8")?;
    }
    if let Some(bits) = &table.stop_bits {
        settings.stop_bits = number(source, bits, StopBits::of, "1 or 2")?;
    }
    if let Some(parity) = &table.parity {
        settings.parity = source.parse(parity)?;
    }
    if let Some(flow) = &table.flow {
        settings.flow = source.parse(flow)?;
    }
    if let Some(dtr) = &table.dtr {
        settings.dtr = Some(source.parse(dtr)?);
    }
    if let Some(rts) = &table.rts {
        settings.rts = Some(source.parse(rts)?);
        if settings.flow == Flow::Lines {
            let message =
                "found a level for a line that the flow control drives, expected rts or flow = \"rts/cts\", not both";
            return Err(source.mistake(rts.span(), message));
        }
    }
    Ok(settings)
}

/// A number that means a setting; a mistake says which ones there are.
fn number<N: Copy + Display, T>(
    source: Source<'_>,
    value: &Spanned<N>,
    meaning: impl FnOnce(N) -> Option<T>,
    expected: &str,
) -> Result<T, Mistake> {
    let found = *value.get_ref();
    meaning(found).ok_or_else(|| source.mistake(value.span(), format!("found {found}, expected {expected}")))
}
