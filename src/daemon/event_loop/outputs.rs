//! Where the loop sends to.

use std::sync::Arc;

use tokio::sync::broadcast;

use crate::{
    daemon::{announcer::Announcer, findings_thread::FindingsThread, ports::PortCommands, speaker::Speaker},
    server::NewsMessage,
    session::{Announcement, AnnouncementKind},
};

/// Where the loop sends to.
pub(in crate::daemon) struct LoopOutputs {
    pub news: broadcast::Sender<Arc<str>>,
    /// The operator's own program; none where there is none.
    pub alert: Option<Announcer>,
    pub speaker: Speaker,
    pub ports: PortCommands,
    pub findings: FindingsThread,
}

impl LoopOutputs {
    /// For an operator who does not look at the screen: runs the alert command, and speaks where no page does.
    pub(super) fn announce(&mut self, announcement: &Announcement) {
        if let Some(alert) = &mut self.alert {
            alert.announce(announcement.clone());
        }
        self.speaker.announce(announcement);
    }

    /// What waits to be announced of this kind no longer holds.
    pub(super) fn withdraw(&self, kind: AnnouncementKind) {
        if let Some(alert) = &self.alert {
            alert.withdraw(&[kind]);
        }
        self.speaker.withdraw(&[kind]);
    }
}

/// Sends news to all watching clients; there may be none.
pub(super) fn publish(news: &broadcast::Sender<Arc<str>>, message: impl Into<NewsMessage>) {
    match serde_json::to_string(&message.into()) {
        Ok(line) => drop(news.send(line.into())),
        Err(error) => tracing::error!("news could not be written as JSON: {error}"),
    }
}
