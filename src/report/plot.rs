//! What a channel showed during a step, as a plot: thinned out to the pixel without losing an extreme.

use plotters::prelude::*;

use super::{
    ReportError,
    axis::{AxisUnit, round_step},
};
use crate::units::{Dimension, Limit, Quantity};

/// Pixels of the drawing; the page scales it.
const SIZE: (u32, u32) = (720, 170);
/// Intervals of time that are kept apart: about one a pixel.
const COLUMNS: usize = 640;
/// About as many numbers below.
const X_LABELS: usize = 8;
/// About as many numbers at the side.
const Y_LABELS: usize = 5;
/// A pause longer than this, s, is a gap in the line.
const GAP_S: f64 = 2.0;

/// The samples of one step's channel. For each interval the first, least, greatest and last value are kept, from which a
/// line looks the same as one through all samples (Jugel et al., M4, VLDB 2014; from memory).
pub(super) struct StepPlot {
    /// The step's name.
    pub step: String,
    /// The channel.
    pub channel: String,
    /// What it shows.
    pub quantity: Quantity,
    /// What is allowed.
    pub limit: Option<Limit>,
    /// When the step began and how long it was on, µs.
    began_us: i64,
    lasted_us: i64,
    columns: Vec<Option<PlotColumn>>,
    /// Samples that were numbers.
    pub samples: usize,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct PlotColumn {
    first: (i64, f64),
    least: (i64, f64),
    greatest: (i64, f64),
    last: (i64, f64),
}

impl StepPlot {
    pub(super) fn new(
        step: &str,
        channel: &str,
        quantity: Quantity,
        limit: Option<Limit>,
        began_us: i64,
        lasted_us: i64,
    ) -> Self {
        Self {
            step: step.to_owned(),
            channel: channel.to_owned(),
            quantity,
            limit,
            began_us,
            lasted_us: lasted_us.max(1),
            columns: vec![None; COLUMNS],
            samples: 0,
        }
    }

    /// When it begins and ends, µs since the session began, and how many intervals of time are kept apart.
    pub(super) fn stretch(&self) -> (i64, i64, usize) {
        (self.began_us, self.began_us.saturating_add(self.lasted_us), COLUMNS)
    }

    /// Takes in a sample; a time outside the step is put to its nearest end.
    pub(super) fn push(&mut self, time_us: i64, value: f64) {
        self.samples += 1;
        let since = (time_us - self.began_us).clamp(0, self.lasted_us);
        let index = (since as f64 / self.lasted_us as f64 * COLUMNS as f64) as usize;
        let point = (since, value);
        match &mut self.columns[index.min(COLUMNS - 1)] {
            None => {
                self.columns[index.min(COLUMNS - 1)] =
                    Some(PlotColumn { first: point, least: point, greatest: point, last: point })
            }
            Some(column) => {
                column.last = point;
                if value < column.least.1 {
                    column.least = point;
                }
                if value > column.greatest.1 {
                    column.greatest = point;
                }
            }
        }
    }

    /// The points of the line, parted at gaps; s and base units.
    fn lines(&self) -> Vec<Vec<(f64, f64)>> {
        let mut lines: Vec<Vec<(f64, f64)>> = Vec::new();
        for column in self.columns.iter().flatten() {
            let mut points = [column.first, column.least, column.greatest, column.last];
            points.sort_by_key(|point| point.0);
            for (at_us, value) in points {
                let at = at_us as f64 / 1e6;
                match lines.last_mut() {
                    Some(line) if line.last().is_some_and(|last| at - last.0 <= GAP_S) => line.push((at, value)),
                    _ => lines.push(vec![(at, value)]),
                }
            }
        }
        lines
    }

    /// The drawing as SVG.
    pub(super) fn svg(&self) -> Result<String, ReportError> {
        let mut svg = String::new();
        self.draw(&mut svg).map_err(|why| ReportError::Plot { step: self.step.clone(), why: why.to_string() })?;
        Ok(svg)
    }

    fn draw(&self, svg: &mut String) -> Result<(), Box<dyn std::error::Error + '_>> {
        let lines = self.lines();
        let values = lines.iter().flatten().map(|point| point.1);
        let bounds = self.limit.iter().flat_map(|limit| [limit.low, limit.high]).flatten();
        let (low, high) = values
            .chain(bounds)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)));
        let room = 0.1 * (high - low).max(high.abs().max(low.abs()) * 0.02).max(1e-9);
        let (low, high) = (low - room, high + room);
        let seconds = self.lasted_us as f64 / 1e6;
        let root = SVGBackend::with_string(svg, SIZE).into_drawing_area();
        let mut chart = ChartBuilder::on(&root)
            .margin(6)
            .x_label_area_size(26)
            .y_label_area_size(56)
            .build_cartesian_2d(0.0..seconds, low..high)?;
        if let Some(limit) = &self.limit {
            let zone = [(0.0, limit.low.unwrap_or(low).max(low)), (seconds, limit.high.unwrap_or(high).min(high))];
            chart.draw_series([Rectangle::new(zone, RGBColor(0, 158, 115).mix(0.15).filled())])?;
        }
        let unit = AxisUnit::suiting(low.abs().max(high.abs()), self.quantity.dimension());
        let step = round_step((high - low) / unit.factor / Y_LABELS as f64);
        let name = unit.name();
        let time = AxisUnit::suiting(1.0, Dimension::Second);
        let time_step = round_step(seconds / X_LABELS as f64);
        chart
            .configure_mesh()
            .disable_x_mesh()
            .light_line_style(WHITE.mix(0.0))
            .bold_line_style(BLACK.mix(0.1))
            .axis_style(BLACK.mix(0.6))
            .label_style(("sans-serif", 13))
            .x_labels(X_LABELS)
            .y_labels(Y_LABELS)
            .x_label_formatter(&|at| format!("{} s", time.number(*at, time_step)))
            .y_label_formatter(&|value| format!("{} {name}", unit.number(*value, step)))
            .draw()?;
        for line in lines {
            match line[..] {
                [only] => _ = chart.draw_series([Circle::new(only, 1, BLACK.filled())])?,
                _ => _ = chart.draw_series(LineSeries::new(line, BLACK))?,
            }
        }
        root.present()?;
        Ok(())
    }
}
