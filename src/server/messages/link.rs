//! The links of the live page.

use serde::{Deserialize, Serialize};
use strum::{EnumMessage, VariantArray};

use crate::words::words;

/// What a client of the live page may do; what comes later includes what comes before.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, VariantArray, EnumMessage)]
pub(crate) enum Permission {
    /// Read all that is shown.
    #[strum(serialize = "look on")]
    Look,
    /// All that the operator does.
    #[strum(serialize = "operate")]
    Operate,
}

words!(Permission);

/// One link of the page.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct LinkLine {
    /// By which it is revoked.
    pub number: u32,
    /// Whom it is for.
    pub name: String,
    /// What it allows.
    pub permission: Permission,
    /// How often it was redeemed.
    pub used: u32,
    /// Whether it can still be redeemed.
    pub open: bool,
    /// The address with its token; told once, when it is made.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub address: Option<String>,
}
