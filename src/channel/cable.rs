//! Which HID cable a meter of the bench comes with: the one of its protocol, or one of its own.

use super::bench::MeterTable;
use crate::{
    mistake::{Mistake, Source},
    port::{Address, HidCable},
    protocol::{Library, Protocol, Traffic},
};

/// A HID cable that nobody described well enough for its meter.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(super) enum Unsuited {
    /// Nobody says where the bytes stand in its reports.
    #[error(
        "protocol \"{0}\" has no [hid], so nobody knows how the reports of this HID cable carry bytes; in the bench file, \
         cable = \"NAME\" takes the cable of another protocol, and [meter.hid] describes one (see protocols/README.md)"
    )]
    Unknown(String),
    /// It only listens, and the meter speaks when asked.
    #[error("protocol \"{0}\" asks its meter, and the HID cable's description has no `outgoing` to carry requests")]
    Mute(String),
}

/// Whether a meter can be read through what its port is.
pub(super) fn suits(cable: Option<&HidCable>, address: &Address, protocol: &Protocol) -> Result<(), Unsuited> {
    match (address, cable) {
        (Address::Hid(_), None) => Err(Unsuited::Unknown(protocol.name.clone())),
        (Address::Hid(_), Some(HidCable { outgoing: None, .. })) if protocol.traffic() == Traffic::Polled => {
            Err(Unsuited::Mute(protocol.name.clone()))
        }
        _ => Ok(()),
    }
}

/// The cable that the meter's table describes or names, otherwise its protocol's.
pub(super) fn of(
    source: Source<'_>,
    library: &Library,
    table: &mut MeterTable,
    address: &Address,
    protocol: &Protocol,
) -> Result<Option<HidCable>, Mistake> {
    let (described, named) = (table.hid.take(), table.cable.take());
    let spans = [described.as_ref().map(|text| text.span()), named.as_ref().map(|name| name.span())];
    if let ([Some(span), _] | [_, Some(span)], false) = (spans, matches!(address, Address::Hid(_))) {
        let message =
            "found a HID cable at a port that is none, expected port = \"hid:…\", such as \"hid:/dev/hidraw0\"";
        return Err(source.mistake(span, message));
    }
    let cable = match (described, named) {
        (Some(_), Some(name)) => {
            return Err(source.mistake(name.span(), "found `cable` beside [meter.hid], expected one of them"));
        }
        (Some(text), None) => Some(text.into_inner().cable(source)?),
        (None, Some(name)) => {
            let cable = library.cable(name.get_ref());
            Some(cable.map_err(|error| source.mistake(name.span(), error.to_string()))?)
        }
        (None, None) if matches!(address, Address::Hid(_)) => protocol.hid.clone(),
        (None, None) => None,
    };
    suits(cable.as_ref(), address, protocol).map_err(|error| source.mistake(table.port.span(), error.to_string()))?;
    Ok(cable)
}
