//! Bench files that several tests use; `PORTS/` stands for the folder of the ports.

/// A handheld meter that tells by its unit what it is switched to.
pub(crate) const HANDHELD: &str = r#"
[[meter]]
name = "handheld"
port = "PORTS/handheld"
protocol = "number"
[[meter.channel]]
name = "probe"
"#;

/// A clamp board, the handheld meter, and a board on the supply.
pub(crate) const THREE: &str = r#"
[[meter]]
name = "clamps"
port = "PORTS/clamps"
protocol = "columns"
baud = 115200
[[meter.channel]]
name = "lift coil"
reads = "v1"
quantity = "A DC"
scale = "100 mV/A"
[[meter.channel]]
name = "tilt coil"
reads = "v2"
quantity = "A DC"
scale = "1 mV per 10 mA"

[[meter]]
name = "handheld"
port = "PORTS/handheld"
protocol = "number"
[[meter.channel]]
name = "probe"

[[meter]]
name = "supply"
port = "PORTS/supply"
protocol = "pairs"
[[meter.channel]]
name = "battery"
reads = "supply"
quantity = "V DC"
accuracy = "0.5 % + 5 mV"
[[meter.channel]]
name = "block ground"
reads = "ground"
quantity = "V DC"
"#;
