//! Times of the tables, whole microseconds, as JSON has them: seconds.

use serde::Serializer;

/// A time as seconds.
pub(super) fn of<S: Serializer>(us: &i64, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_f64(*us as f64 / 1e6)
}

/// A time as seconds, where there is one.
pub(super) fn or_none<S: Serializer>(us: &Option<i64>, to: S) -> Result<S::Ok, S::Error> {
    match us {
        Some(us) => of(us, to),
        None => to.serialize_none(),
    }
}
