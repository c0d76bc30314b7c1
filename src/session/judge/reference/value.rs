//! Works out what a limit refers to, and how sure that is.

use super::ReferredValue;
use crate::{
    electrics::{Correlation, median, propagate},
    procedure::ReferenceValue,
};

/// The reference's standard uncertainty: JCGM 100:2008, equation 13, with what values of one meter share.
pub(super) fn u_of(readings: &[ReferredValue], partials: &[f64]) -> f64 {
    let n = readings.len();
    if readings.iter().all(|reading| reading.gain.is_none()) {
        let u: Vec<f64> = readings.iter().map(|reading| reading.value.u).collect();
        return propagate(partials, &u, Correlation::Independent).unwrap_or(0.0);
    }
    let u: Vec<f64> = readings.iter().map(|reading| reading.value.u).collect();
    let mut correlations = vec![0.0; n * n];
    for (i, a) in readings.iter().enumerate() {
        for (j, b) in readings.iter().enumerate() {
            let shared = a.gain.as_ref().zip(b.gain.as_ref()).filter(|(a, b)| a.meter == b.meter);
            let covariance =
                shared.map_or(0.0, |(own, other)| own.relative_u * other.relative_u * a.value.value * b.value.value);
            let product = a.value.u * b.value.u;
            correlations[i * n + j] = match (i == j, product > 0.0) {
                (true, _) => 1.0,
                (false, true) => (covariance / product).clamp(-1.0, 1.0),
                (false, false) => 0.0,
            };
        }
    }
    let independent = || u.iter().zip(partials).map(|(u, partial)| (u * partial).powi(2)).sum::<f64>().sqrt();
    propagate(partials, &u, Correlation::Matrix(&correlations)).unwrap_or_else(|_| independent())
}

/// The reference's value; `partials` become its derivatives by the values. None where it would divide by zero.
pub(super) fn reference(rule: &ReferenceValue, values: &[f64], partials: &mut Vec<f64>) -> Option<f64> {
    partials.clear();
    match rule {
        ReferenceValue::Sum(terms) => {
            let mut sum = 0.0;
            let mut place = 0;
            for term in terms {
                let sign = if term.is_negative { -1.0 } else { 1.0 };
                let times = values.get(place..place + term.times.len())?;
                place += term.times.len();
                let over = values.get(place..place + term.over.len())?;
                place += term.over.len();
                let divisor: f64 = over.iter().product();
                if divisor == 0.0 {
                    return None;
                }
                let value = times.iter().product::<f64>() / divisor;
                sum += sign * value;
                for own in 0..times.len() {
                    let others: f64 = times.iter().enumerate().filter(|(at, _)| *at != own).map(|(_, v)| v).product();
                    partials.push(sign * others / divisor);
                }
                partials.extend(over.iter().map(|own| -sign * value / own));
            }
            Some(sum)
        }
        ReferenceValue::Mean(_) => {
            let share = 1.0 / values.len() as f64;
            partials.extend(values.iter().map(|_| share));
            (!values.is_empty()).then(|| values.iter().sum::<f64>() * share)
        }
        ReferenceValue::Siblings(_) => {
            let middle = median(values)?;
            // An odd number has one in the middle, an even one two.
            let mut order: Vec<usize> = (0..values.len()).collect();
            order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
            partials.resize(values.len(), 0.0);
            let (low, high) = (order[(order.len() - 1) / 2], order[order.len() / 2]);
            partials[low] += 0.5;
            partials[high] += 0.5;
            Some(middle)
        }
    }
}
