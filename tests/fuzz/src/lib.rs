//! What must hold whatever bytes come: chunks make no difference, numbers are numbers, memory is
//! bounded.

use std::sync::Arc;

use bayline::protocol::{Counts, Decoded, Engine, Library, Protocol, Value};

/// A protocol of these parts.
///
/// # Panics
/// The parts have a mistake.
pub fn protocol(parts: &str) -> Arc<Protocol> {
    let text = format!("name = \"fuzz\"\nabout = \"a target\"\nsource = \"made up\"\n{parts}");
    Arc::new(Protocol::parse("fuzz.toml", &text).unwrap_or_else(|mistake| panic!("{mistake}")))
}

/// Every protocol that ships.
///
/// # Panics
/// One of them can't be read.
pub fn shipped() -> Vec<Arc<Protocol>> {
    let library = Library::default();
    library.all().0.iter().map(|listed| library.find(&listed.name).expect("it is listed")).collect()
}

/// Pushes bytes whole, one by one, and in chunks that the bytes themselves decide.
///
/// # Panics
/// Something that must hold does not.
pub fn try_bytes(protocol: &Arc<Protocol>, bytes: &[u8]) {
    let whole = push(protocol, std::iter::once(bytes));
    assert_eq!(push(protocol, bytes.chunks(1)), whole, "byte by byte");
    let size = bytes.first().map_or(1, |byte| usize::from(*byte) % 61 + 1);
    assert_eq!(push(protocol, bytes.chunks(size)), whole, "by {size}");
    let (decoded, names, counts) = whole;
    assert!(names <= 256);
    assert!(counts.explained + counts.inconclusive <= counts.bytes && counts.bytes == bytes.len() as u64);
    for reading in &decoded.readings {
        assert!(usize::from(reading.name) < names);
        assert!(!matches!(reading.value, Value::Number(value) if !value.is_finite()));
    }
    assert_eq!(decoded.frames.last().map_or(0, |frame| frame.readings_end), decoded.readings.len());
}

fn push<'a>(protocol: &Arc<Protocol>, chunks: impl Iterator<Item = &'a [u8]>) -> (Decoded, usize, Counts) {
    let (mut engine, mut all) = (Engine::new(protocol.clone()), Decoded::default());
    chunks.for_each(|chunk| engine.push(chunk, &mut all));
    (all, engine.names().len(), engine.counts().clone())
}
