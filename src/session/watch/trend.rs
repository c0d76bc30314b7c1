//! A value that is heading for its limit, noticed before it is there: a supply that gives up while a module is written.
//!
//! Means of a second over the last two minutes and their straight line. A sentence is only made where the slope is significant by
//! its own uncertainty, where it reaches the limit within the time that the step names, and where the values do not settle inside
//! the limit by themselves: an exponential that ends there and fits better says so.

use std::collections::VecDeque;

use crate::{
    channel::Sample,
    clock::Mono,
    electrics::{ExponentialFit, Trend, Uncertain},
    protocol::Value,
    units::{Limit, Quantity, show_given, show_seconds},
};

/// One mean.
const BUCKET_US: i64 = 1_000_000;
/// The straight line is through so many means at most, and at least.
const MOST: usize = 120;
const LEAST: usize = 20;
/// After a longer silence it begins anew, µs.
const SILENCE_US: i64 = 5_000_000;
/// A slope counts from so many standard uncertainties: the windows of an hour are 30 independent ones, so that one false warning
/// comes in some years of steady noise.
const SIGNIFICANT: f64 = 5.0;
/// The line is not drawn out further than so many times its own length.
const REACH: f64 = 5.0;
/// The squares that an exponential saves, over its variance, from which it counts as the better one: about three standard
/// deviations.
const BETTER: f64 = 9.0;
/// It is said again once so much of the time that was said first is left.
const AGAIN: f64 = 0.5;

/// Follows the channel of one step.
#[derive(Debug, Clone)]
pub(super) struct TrendWatch {
    ahead_s: f64,
    bucket_began: Option<Mono>,
    sum: f64,
    count: u32,
    last: Mono,
    first: Mono,
    digit: f64,
    means: VecDeque<(f64, f64)>,
    points: Vec<(f64, f64)>,
    /// The limit that was said to come, and how soon, s.
    said: Option<(f64, f64)>,
    /// Means in a row that head for no limit.
    calm: u32,
}

/// When a limit is reached, s from now: at the earliest, probably, and at the latest (none where perhaps never), k = 2.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Forecast {
    pub(super) limit: f64,
    pub(super) earliest: f64,
    pub(super) probably: f64,
    pub(super) latest: f64,
}

impl TrendWatch {
    /// Looks ahead by so many seconds.
    pub(super) fn new(ahead_s: f64) -> Self {
        Self {
            ahead_s,
            bucket_began: None,
            sum: 0.0,
            count: 0,
            last: Mono(0),
            first: Mono(0),
            digit: 0.0,
            means: VecDeque::with_capacity(MOST),
            points: Vec::with_capacity(MOST),
            said: None,
            calm: 0,
        }
    }

    fn clear(&mut self) {
        (self.bucket_began, self.sum, self.count) = (None, 0.0, 0);
        self.means.clear();
    }

    /// Takes a sample as it counts, with its limit; a sentence where there is something to say.
    pub(super) fn sample(&mut self, sample: &Sample, limit: &Limit, name: &str) -> Option<String> {
        let Value::Number(value) = sample.value else { return None };
        if sample.at.since(self.last) > SILENCE_US || self.bucket_began.is_none() && self.means.is_empty() {
            self.clear();
            self.first = sample.at;
        }
        self.last = sample.at;
        self.digit = sample.digit.unwrap_or(self.digit);
        let began = *self.bucket_began.get_or_insert(sample.at);
        self.sum += value;
        self.count += 1;
        if sample.at.since(began) < BUCKET_US {
            return None;
        }
        let middle = Mono(began.0 + sample.at.since(began) / 2);
        let mean = self.sum / f64::from(self.count);
        (self.bucket_began, self.sum, self.count) = (Some(sample.at), 0.0, 0);
        if self.means.len() == MOST {
            self.means.pop_front();
        }
        self.means.push_back((middle.since(self.first) as f64 / 1e6, mean));
        let is_inside = limit.low.is_none_or(|low| mean >= low) && limit.high.is_none_or(|high| mean <= high);
        let forecast = if is_inside { self.forecast(limit) } else { None };
        self.sentence(forecast, is_inside, name, sample.quantity)
    }

    fn sentence(
        &mut self,
        forecast: Option<Forecast>,
        is_inside: bool,
        name: &str,
        quantity: Quantity,
    ) -> Option<String> {
        let show = |limit: f64| show_given(limit, quantity.dimension());
        let Some(forecast) = forecast.filter(|forecast| forecast.probably <= self.ahead_s) else {
            self.calm += 1;
            // One that is out of its limit is an excursion, and that is said there.
            let (limit, _) = self.said.filter(|_| self.calm as usize >= LEAST || !is_inside)?;
            self.said = None;
            return is_inside.then(|| format!("{name} no longer heads for {}", show(limit)));
        };
        self.calm = 0;
        let is_new =
            self.said.is_none_or(|(limit, seconds)| limit != forecast.limit || forecast.probably <= AGAIN * seconds);
        if !is_new {
            return None;
        }
        self.said = Some((forecast.limit, forecast.probably));
        let latest = match forecast.latest.is_finite() {
            true => format!("{} to {}", show_seconds(forecast.earliest), show_seconds(forecast.latest)),
            false => format!("{} at the earliest", show_seconds(forecast.earliest)),
        };
        Some(format!("{name} {} in {} at this rate ({latest})", show(forecast.limit), show_seconds(forecast.probably)))
    }

    /// The slope now in the value's unit a second, with its uncertainty; none before there are enough means.
    pub(super) fn slope(&self) -> Option<Uncertain> {
        let points: Vec<(f64, f64)> = self.means.iter().copied().collect();
        TrendLine::of(&points, self.digit).map(|line| line.slope)
    }

    /// The line over all means, or over the newest where only they move.
    fn forecast(&mut self, limit: &Limit) -> Option<Forecast> {
        self.points.clear();
        self.points.extend(&self.means);
        let newest = self.points.len().checked_sub(LEAST)?;
        let middle = newest / 2;
        [0, middle, newest].into_iter().find_map(|from| forecast_of(&self.points[from..], limit, self.digit))
    }
}

/// A straight line with the uncertainties of its slope and its end.
#[derive(Debug, Clone, Copy)]
struct TrendLine {
    slope: Uncertain,
    now: Uncertain,
    squares: f64,
    length: f64,
}

impl TrendLine {
    /// Means that hang together count as fewer: (1 + ρ) / (1 - ρ) of the lag-one correlation (from memory). What is smaller than
    /// a digit is not seen (rectangular, JCGM 100 4.3.7).
    fn of(points: &[(f64, f64)], digit: f64) -> Option<Self> {
        let trend = Trend::of(points).filter(|_| points.len() >= LEAST)?;
        let n = points.len() as f64;
        let t_mean = points.iter().map(|(t, _)| t).sum::<f64>() / n;
        let y_mean = points.iter().map(|(_, y)| y).sum::<f64>() / n;
        let rest = |(t, y): &(f64, f64)| y - y_mean - trend.slope.value * (t - t_mean);
        let squares: f64 = points.iter().map(|point| rest(point).powi(2)).sum();
        let lagged: f64 = points.windows(2).map(|pair| rest(&pair[0]) * rest(&pair[1])).sum();
        let correlation = if squares > 0.0 { (lagged / squares).clamp(0.0, 0.95) } else { 0.0 };
        let residual = trend.residual.max(digit / 12f64.sqrt());
        let spread = residual * ((1.0 + correlation) / (1.0 - correlation)).sqrt();
        let s_tt: f64 = points.iter().map(|(t, _)| (t - t_mean).powi(2)).sum();
        let end = points.last()?.0;
        let now_u = spread * (1.0 / n + (end - t_mean).powi(2) / s_tt).sqrt();
        Some(Self {
            slope: Uncertain::new(trend.slope.value, spread / s_tt.sqrt()),
            now: Uncertain::new(y_mean + trend.slope.value * (end - t_mean), now_u),
            squares,
            length: end - points[0].0,
        })
    }
}

fn forecast_of(points: &[(f64, f64)], limit: &Limit, digit: f64) -> Option<Forecast> {
    let line = TrendLine::of(points, digit)?;
    let slope = line.slope;
    if slope.value.abs() < SIGNIFICANT * slope.u || slope.value == 0.0 {
        return None;
    }
    let edge = if slope.value < 0.0 { limit.low? } else { limit.high? };
    let way = edge - line.now.value;
    let probably = way / slope.value;
    if probably <= 0.0 || probably > REACH * line.length || settles_inside(points, &line, limit) {
        return None;
    }
    let at = |slope: f64, way: f64| if slope > 0.0 { way / slope } else { f64::INFINITY };
    let (size, u) = (slope.value.abs(), 2.0 * slope.u);
    let (near, far) = ((way.abs() - 2.0 * line.now.u).max(0.0), way.abs() + 2.0 * line.now.u);
    Some(Forecast { limit: edge, earliest: at(size + u, near), probably, latest: at(size - u, far) })
}

/// Whether the values settle by themselves before they reach the limit.
fn settles_inside(points: &[(f64, f64)], line: &TrendLine, limit: &Limit) -> bool {
    let Some(fit) = ExponentialFit::of(points) else { return false };
    let variance = fit.residual * fit.residual;
    let saved = line.squares - variance * (points.len() as f64 - 3.0);
    let is_inside =
        limit.low.is_none_or(|low| fit.end.value > low) && limit.high.is_none_or(|high| fit.end.value < high);
    is_inside && saved > BETTER * variance
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{electrics::noise::Noise, session::judge::tests::volts, units::Dimension};

    const BAND: Limit = Limit { low: Some(13.0), high: Some(14.2), dimension: Dimension::Volt };

    /// What is said over some seconds of a supply, ten samples a second, and when.
    fn announced(ahead_s: f64, seconds: u32, supply: impl Fn(f64) -> f64, seed: u64) -> Vec<(f64, String)> {
        let (mut watch, mut noise, mut said) = (TrendWatch::new(ahead_s), Noise::of_seed(seed), Vec::new());
        for index in 0..10 * seconds {
            let t = f64::from(index) / 10.0;
            let value = supply(t) + 0.005 * noise.normal();
            let sample = Sample { digit: Some(0.001), ..volts((t * 1e6) as i64, value) };
            said.extend(watch.sample(&sample, &BAND, "battery").map(|text| (t, text)));
        }
        said
    }

    /// The truth is known: 13.0 V after 200 s. It is said while there is time, and the true time lies within what is stated.
    #[test]
    fn a_supply_that_gives_up_is_said_before_the_limit() {
        for seed in 1..=10 {
            let found = announced(120.0, 260, |t| 13.6 - 0.003 * t, seed);
            let (at, text) = &found[0];
            assert!((70.0..100.0).contains(at), "seed {seed}: {found:?}");
            assert!(text.starts_with("battery 13 V in ") && text.contains("at this rate ("), "{text}");
            // Once more as half the time is over, not every second.
            assert!(found.len() <= 8, "{found:?}");
        }
        let found = announced(600.0, 120, |t| 13.6 - 0.004 * t, 3);
        assert!(found[0].0 < 45.0, "{found:?}");
    }

    #[test]
    fn the_forecast_states_its_uncertainty_rightly() {
        let mut within = 0;
        for seed in 1..=100 {
            let mut noise = Noise::of_seed(seed);
            let points: Vec<(f64, f64)> =
                (0..60).map(f64::from).map(|t| (t, 13.6 - 0.004 * t + 0.01 * noise.normal())).collect();
            let forecast = forecast_of(&points, &BAND, 0.0).unwrap();
            // 13.0 V after 150 s, seen from 59 s.
            within += u32::from((forecast.earliest..=forecast.latest).contains(&91.0));
        }
        assert!(within >= 93, "{within} of 100");
    }

    #[test]
    fn steady_noise_and_a_supply_that_settles_are_not_announced() {
        for seed in 1..=3 {
            assert_eq!(announced(600.0, 3600, |_| 13.1, seed), [], "seed {seed}");
            assert_eq!(announced(600.0, 900, |t| 13.3 + 0.8 * (-t / 120.0).exp(), seed), [], "settles, seed {seed}");
        }
        // A slow wave of some minutes inside the band, as a charger's control makes it.
        let found = announced(60.0, 3600, |t| 13.5 + 0.1 * (t / 80.0).sin(), 5);
        assert_eq!(found, []);
    }

    #[test]
    fn what_has_turned_is_taken_back() {
        let found = announced(120.0, 400, |t| if t < 120.0 { 13.6 - 0.004 * t } else { 13.12 }, 2);
        assert!(found.last().unwrap().1 == "battery no longer heads for 13 V", "{found:?}");
    }
}
