//! A finding in JSON, on the control socket and in the database.

use serde::{Deserialize, Deserializer, Serialize};

use super::{ConfidenceLevel, Finding, FindingKind, calibration::CALIBRATION_VERSION};

/// A finding on the control socket, in JSON and in the table `finding`. It differs from [`Finding`] in its alternatives,
/// of which the sentences alone travel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct FindingRecord {
    /// What.
    pub kind: FindingKind,
    /// Where: circuits as the procedure names them; empty for what all share.
    #[serde(deserialize_with = "list_or_lines")]
    pub circuits: Vec<String>,
    /// What is wrong and where.
    pub sentence: String,
    /// certain, likely or possible.
    pub sure: ConfidenceLevel,
    /// Its weight among all explanations that were tried, 0 to 1.
    pub weight: f64,
    /// By how many standard deviations the captures speak for it.
    pub z: f64,
    /// What speaks for it.
    #[serde(deserialize_with = "list_or_lines")]
    pub evidence: Vec<String>,
    /// What else would explain it.
    #[serde(deserialize_with = "list_or_lines")]
    pub alternatives: Vec<String>,
    /// What to measure next.
    pub next: String,
    /// In the table: number of the step whose capture is the last that it rests on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ends_at: Option<u32>,
    /// Version of the calibration that made a probability of its weight; none of one stored before versions were.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub calibration: Option<u32>,
}

impl From<&Finding> for FindingRecord {
    fn from(finding: &Finding) -> Self {
        Self {
            kind: finding.kind,
            circuits: finding.circuits.clone(),
            sentence: finding.sentence.clone(),
            sure: finding.confidence.level,
            weight: finding.confidence.weight,
            z: finding.confidence.z,
            evidence: finding.evidence.clone(),
            alternatives: finding.alternatives.iter().map(|other| other.sentence.clone()).collect(),
            next: finding.next.clone(),
            ends_at: None,
            calibration: Some(CALIBRATION_VERSION),
        }
    }
}

/// A list in JSON; in a table, one text with an entry a line.
fn list_or_lines<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<String>, D::Error> {
    #[derive(Deserialize)]
    #[serde(untagged)]
    enum ListOrLines {
        List(Vec<String>),
        Lines(String),
    }
    Ok(match ListOrLines::deserialize(from)? {
        ListOrLines::List(list) => list,
        ListOrLines::Lines(lines) => lines.lines().map(str::to_owned).collect(),
    })
}
