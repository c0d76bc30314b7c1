//! The order in which channels are drawn: road speed, the supply, each current, the rest.

use crate::{
    procedure::{Procedure, Role},
    store::read::ChannelRow,
    units::Quantity,
};

/// Words by which the channel of a supply is known where no step says so.
const SUPPLY_WORDS: [&str; 3] = ["supply", "battery", "feed"];

/// The channels that are drawn over time, in their order; a receiver's position is a track instead.
pub(crate) fn lanes<'a>(channels: &'a [ChannelRow], procedure: Option<&Procedure>) -> Vec<&'a ChannelRow> {
    let mut lanes: Vec<&ChannelRow> = channels.iter().filter(|row| !row.is_position()).collect();
    lanes.sort_by_key(|row| match row.quantity {
        Quantity::Speed => 0,
        Quantity::VoltsDc if is_supply(row, procedure) => 1,
        Quantity::AmpsDc | Quantity::AmpsAc => 2,
        _ => 3,
    });
    lanes
}

fn is_supply(row: &ChannelRow, procedure: Option<&Procedure>) -> bool {
    let mut steps = procedure.into_iter().flat_map(|procedure| &procedure.steps);
    let by_role = steps.any(|step| {
        matches!(step.role, Some(Role::Supply | Role::Feed)) && step.channel.as_deref() == Some(row.name.as_str())
    });
    let name = row.name.to_lowercase();
    by_role || SUPPLY_WORDS.iter().any(|word| name.contains(word))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn channel(id: i64, name: &str, quantity: Quantity, reads: &str) -> ChannelRow {
        ChannelRow {
            id,
            name: name.to_owned(),
            quantity,
            unit: quantity.unit().to_owned(),
            meter: String::new(),
            reads: reads.to_owned(),
            scale: String::new(),
            accuracy: String::new(),
        }
    }

    #[test]
    fn speed_stands_before_the_supply_and_that_before_the_currents() {
        let channels = [
            channel(1, "oil", Quantity::Temperature, "value"),
            channel(2, "lift coil", Quantity::AmpsDc, "a1"),
            channel(3, "probe", Quantity::VoltsDc, "v2"),
            channel(4, "Battery post", Quantity::VoltsDc, "v1"),
            channel(5, "lat", Quantity::Angle, "latitude"),
            channel(6, "tilt coil", Quantity::AmpsDc, "a2"),
            channel(7, "road speed", Quantity::Speed, "speed"),
            channel(8, "boom", Quantity::Angle, "value"),
        ];
        let order: Vec<i64> = lanes(&channels, None).iter().map(|row| row.id).collect();
        assert_eq!(order, [7, 4, 2, 6, 1, 3, 8]);
        let procedure = "title = \"t\"\n[[step]]\nname = \"s\"\ncircuit = \"main\"\nchannel = \"probe\"\nquantity = \"V DC\"\nrole = \"supply\"\n";
        let procedure = Procedure::parse("p", procedure).unwrap();
        let order: Vec<i64> = lanes(&channels, Some(&procedure)).iter().map(|row| row.id).collect();
        assert_eq!(order, [7, 3, 4, 2, 6, 1, 8]);
    }
}
