//! Helpers of the tests in this folder: closeness.

/// Fails unless `found` is within `tolerance` of `expected`.
#[track_caller]
pub fn near(found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() <= tolerance, "found {found}, expected {expected} ± {tolerance}");
}
