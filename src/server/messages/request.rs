//! The requests of a client.

use serde::{Deserialize, Serialize};

use super::Permission;
use crate::{
    procedure::YesNo,
    session::{Visit, VisitCorrection, VisitPhoto},
};

/// A request of a client.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(tag = "do", rename_all = "lowercase", deny_unknown_fields)]
#[allow(missing_docs, reason = "the fields are the operator's own words")]
pub(crate) enum Request {
    /// Begin a session; one that is open is ended first.
    Begin(Box<BeginRequest>),
    /// End the session.
    End {},
    /// Go to a step: next, back, again, skip, or its name.
    Step { to: String },
    /// This reading counts.
    Take {
        channel: Option<String>,
        /// The answer to the step's question, in a step that asks one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        answer: Option<YesNo>,
    },
    /// Something happened now.
    Mark {
        #[serde(default)]
        text: String,
        /// Who marked it; where it is left out, how the request came.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        by: String,
    },
    /// A note to keep.
    Note { text: String },
    /// Keep a photo, whose file is kept already.
    Photo(Box<VisitPhoto>),
    /// What was told of the visit is wrong.
    Correct(Box<VisitCorrection>),
    /// Nothing goes through this clamp: what it shows is its zero.
    Zero { channel: String },
    /// This voice was tapped: it speaks from now on, and every other one is silent. A page gives a name of its own, with which it
    /// repeats this at least every ten seconds while it speaks; an empty name, or `say` for the daemon's own voice, gives it back.
    /// All learn who speaks from the news `speaker`.
    Speaker { name: String },
    /// Undo the last of these, but not the begin or end of a session.
    Undo {},
    /// Make a link to the page.
    Link {
        /// Whom it is for.
        #[serde(default)]
        name: String,
        /// Whether it only shows.
        #[serde(default)]
        onlooker: bool,
    },
    /// The links to the page.
    Links {},
    /// This link is no longer good.
    Revoke { link: u32 },
    /// The state of the daemon.
    Status {},
    /// Send all news from now on.
    Watch {},
}

impl Request {
    /// Where nobody is named who made a mark, this is named.
    #[must_use]
    pub(crate) fn made_by(mut self, who: &str) -> Self {
        if let Self::Mark { by, .. } = &mut self
            && by.trim().is_empty()
        {
            who.clone_into(by);
        }
        self
    }

    /// What a client of the page needs for it; none where the page can't ask for it.
    pub(crate) fn permission(&self) -> Option<Permission> {
        match self {
            Self::Status {} => Some(Permission::Look),
            Self::Begin(_)
            | Self::End {}
            | Self::Step { .. }
            | Self::Take { .. }
            | Self::Mark { .. }
            | Self::Note { .. }
            | Self::Correct(_)
            | Self::Zero { .. }
            | Self::Speaker { .. }
            | Self::Undo {} => Some(Permission::Operate),
            // The news are a stream of their own, links are made and revoked at the computer, and a photo comes with its file.
            Self::Watch {} | Self::Photo(_) | Self::Link { .. } | Self::Links {} | Self::Revoke { .. } => None,
        }
    }
}

/// What a session begins with; everything may be left out.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct BeginRequest {
    /// Which machine, and why it is here.
    #[serde(flatten)]
    pub visit: Visit,
    /// What is going to be done.
    pub procedure: Option<ProcedureText>,
    /// The session whose steps are done again after the work: its number, the beginning of its identity, or last.
    pub retests: Option<String>,
    /// The session that this one continues: its number, the beginning of its identity, or last. What is not given
    /// here is as it was there.
    pub continues: Option<String>,
}

/// A procedure file sent along, since the daemon may not see the client's files.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct ProcedureText {
    /// Its name, for messages.
    pub file: String,
    /// All of it.
    pub text: String,
}
