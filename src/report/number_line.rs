//! A value on a number line: the limit's zone hatched, a dot for the value, a whisker for its expanded uncertainty.

use std::fmt::Write;

use super::axis::{AxisUnit, round_step};
use crate::units::Limit;

/// Width and height of the drawing, in its own units.
const SIZE: (f64, f64) = (220.0, 34.0);
/// Free space at both ends.
const EDGE: f64 = 10.0;
/// Where the line and the numbers below it are.
const LINE_Y: f64 = 15.0;
const TEXT_Y: f64 = 31.0;
/// About as many intervals between the marks.
const INTERVALS: f64 = 6.0;
/// The part of the widest distance that is added at both ends.
const MARGIN: f64 = 0.15;

/// A captured value beside its limit; base units.
pub(super) struct NumberLine {
    /// What is allowed.
    pub limit: Limit,
    /// The value.
    pub value: f64,
    /// Its expanded uncertainty (k = 2), where known.
    pub half_width: Option<f64>,
    /// A good value of the same kind, drawn hollow beside it.
    pub good: Option<f64>,
}

impl NumberLine {
    /// The drawing as SVG. Colours and the hatching come from the page's style.
    pub(super) fn svg(&self) -> String {
        let (first, last) = self.ends();
        let x = |value: f64| EDGE + (value - first) / (last - first) * (SIZE.0 - 2.0 * EDGE);
        let unit = AxisUnit::suiting(first.abs().max(last.abs()), self.limit.dimension);
        let mut svg = format!("<svg class=\"line\" viewBox=\"0 0 {} {}\" aria-hidden=\"true\">", SIZE.0, SIZE.1);
        let (from, to) = (self.limit.low.unwrap_or(first).max(first), self.limit.high.unwrap_or(last).min(last));
        if to > from {
            let (left, width) = (x(from), x(to) - x(from));
            put(
                &mut svg,
                format_args!(
                    "<rect class=\"zone\" x=\"{left:.1}\" y=\"{:.1}\" width=\"{width:.1}\" height=\"10\"/>",
                    LINE_Y - 5.0
                ),
            );
        }
        put(&mut svg, format_args!("<path class=\"axis\" d=\"M{:.1} {LINE_Y}H{:.1}\"/>", EDGE, SIZE.0 - EDGE));
        let step = round_step((last - first) / unit.factor / INTERVALS);
        let base_step = step * unit.factor;
        let from = (first / base_step).ceil() as i64;
        let to = (last / base_step).floor() as i64;
        for mark in (from..=to).map(|count| count as f64 * base_step) {
            let (at, number) = (x(mark), unit.number(mark, step));
            put(
                &mut svg,
                format_args!(
                    "<path class=\"axis\" d=\"M{at:.1} {LINE_Y}v4\"/><text x=\"{at:.1}\" y=\"{TEXT_Y}\">{number}</text>"
                ),
            );
        }
        put(&mut svg, format_args!("<text class=\"unit\" x=\"{}\" y=\"8\">{}</text>", SIZE.0, unit.name()));
        if let Some(half_width) = self.half_width {
            let (left, right) = (x((self.value - half_width).max(first)), x((self.value + half_width).min(last)));
            put(
                &mut svg,
                format_args!(
                    "<path class=\"whisker\" d=\"M{left:.1} {0}v8M{right:.1} {0}v8M{left:.1} {LINE_Y}H{right:.1}\"/>",
                    LINE_Y - 4.0
                ),
            );
        }
        if let Some(good) = self.good {
            put(&mut svg, format_args!("<circle class=\"good-dot\" cx=\"{:.1}\" cy=\"{LINE_Y}\" r=\"4\"/>", x(good)));
        }
        put(
            &mut svg,
            format_args!("<circle class=\"dot\" cx=\"{:.1}\" cy=\"{LINE_Y}\" r=\"4\"/></svg>", x(self.value)),
        );
        svg
    }

    /// The ends of the line: value, uncertainty and limits fit, and zero where it is near enough to be seen beside them.
    fn ends(&self) -> (f64, f64) {
        let half_width = self.half_width.unwrap_or(0.0);
        let points =
            [Some(self.value - half_width), Some(self.value + half_width), self.good, self.limit.low, self.limit.high];
        let points: Vec<f64> = points.into_iter().flatten().collect();
        let mut low = points.iter().copied().fold(f64::INFINITY, f64::min);
        let mut high = points.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        // Drops and draws are best at zero.
        if self.limit.low.is_none() && low > 0.0 {
            low = 0.0;
        }
        let size = low.abs().max(high.abs());
        let width = (high - low).max(size * 0.02).max(1e-9);
        low -= MARGIN * width;
        high += MARGIN * width;
        (low, high)
    }
}

fn put(svg: &mut String, part: std::fmt::Arguments) {
    svg.write_fmt(part).expect("writing to a string does not fail");
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::units::Dimension;

    fn line(low: Option<f64>, high: Option<f64>, value: f64, half_width: Option<f64>) -> NumberLine {
        NumberLine { limit: Limit { low, high, dimension: Dimension::Volt }, value, half_width, good: None }
    }

    #[test]
    fn a_drop_is_drawn_from_zero_in_millivolts() {
        let svg = line(None, Some(0.1), 0.34, Some(0.005)).svg();
        for part in [">0<", ">100<", ">300<", ">mV<", "class=\"zone\"", "class=\"whisker\""] {
            assert!(svg.contains(part), "{part} is not in {svg}");
        }
    }

    #[test]
    fn a_feed_is_drawn_around_its_limit() {
        let svg = line(Some(11.8), None, 12.61, None).svg();
        for part in [">12.0<", ">12.4<", ">V<"] {
            assert!(svg.contains(part), "{part} is not in {svg}");
        }
        assert!(!svg.contains("whisker"));
    }

    proptest! {
        #[test]
        fn every_line_is_short_and_finite(
            low in proptest::option::of(-1e6..1e6f64),
            width in proptest::option::of(0.0..1e6f64),
            value in -1e6..1e6f64,
            half_width in proptest::option::of(0.0..1e5f64),
        ) {
            let high = width.map(|width| low.unwrap_or(0.0) + width);
            let svg = line(low, high, value, half_width).svg();
            prop_assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
            prop_assert!(svg.matches("<text").count() <= 12, "{svg}");
        }
    }
}
