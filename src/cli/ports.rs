//! `bayline ports`: lists the devices that are plugged in.

use std::{
    io::{Write, stdout},
    process::ExitCode,
};

use clap::Args;
use serde_json::json;

use super::{
    CommonArgs,
    failure::Failure,
    table::{left, table},
};
use crate::port::{Device, DeviceKind, Roots, plugged_in};

/// List the serial and HID devices that are plugged in.
#[derive(Debug, Args)]
pub(super) struct PortsArgs {
    /// Print one JSON object a line
    #[arg(long)]
    json: bool,
}

impl PortsArgs {
    pub(super) fn run(self, _common: &CommonArgs) -> Result<ExitCode, Failure> {
        let plugged = plugged_in(&Roots::default());
        let mut out = stdout().lock();
        if self.json {
            for device in &plugged {
                writeln!(out, "{}", line(device))?;
            }
            return Ok(ExitCode::SUCCESS);
        }
        if plugged.is_empty() {
            writeln!(
                out,
                "no serial or HID device is plugged in; ports such as tcp://host:port and exec:PROGRAM need none"
            )?;
            return Ok(ExitCode::SUCCESS);
        }
        let rows = plugged.iter().map(|device| {
            let usb = device.usb.as_ref();
            let words = usb.map_or(String::new(), |usb| {
                let description = [&usb.maker, &usb.name, &usb.serial].into_iter().flatten().cloned();
                description.collect::<Vec<_>>().join(" ")
            });
            [
                device.address().to_string(),
                device.path.display().to_string(),
                kind(device.kind).to_owned(),
                usb.map_or(String::new(), |usb| format!("{:04x}:{:04x}", usb.vendor, usb.product)),
                words,
            ]
        });
        write!(out, "{}", table([left("port"), left("device"), left("kind"), left("usb"), left("description")], rows))?;
        Ok(ExitCode::SUCCESS)
    }
}

const fn kind(kind: DeviceKind) -> &'static str {
    match kind {
        DeviceKind::Serial => "serial",
        DeviceKind::Hid => "hid",
    }
}

fn line(device: &Device) -> serde_json::Value {
    let usb = device.usb.as_ref();
    json!({
        "port": device.address().to_string(),
        "device": device.path,
        "stable": device.stable,
        "kind": kind(device.kind),
        "vendor": usb.map(|usb| usb.vendor),
        "product": usb.map(|usb| usb.product),
        "maker": usb.and_then(|usb| usb.maker.as_deref()),
        "name": usb.and_then(|usb| usb.name.as_deref()),
        "serial": usb.and_then(|usb| usb.serial.as_deref()),
    })
}
