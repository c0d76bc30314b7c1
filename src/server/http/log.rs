//! The newest news with numbers, so that a page which lost its connection gets what it missed.

use std::{
    collections::VecDeque,
    sync::{Arc, Mutex, PoisonError},
};

use tokio::sync::broadcast;
use tokio_util::sync::CancellationToken;

use crate::server::News;

/// News that are kept for pages that come back. Readings are not kept: newer ones follow.
const KEPT: usize = 512;
/// News for one page. A slower page is dropped, comes back and gets what is kept.
const QUEUE: usize = 256;

/// One piece of news with its number.
pub(super) type NumberedNews = (u64, Arc<str>);

/// The newest news.
#[derive(Debug, Clone)]
pub(super) struct NewsLog {
    kept: Arc<Mutex<KeptNews>>,
    fresh: broadcast::Sender<NumberedNews>,
}

#[derive(Debug, Default)]
struct KeptNews {
    last: u64,
    /// The number of the newest piece that is no longer kept; 0 while all are.
    dropped: u64,
    news: VecDeque<NumberedNews>,
}

impl NewsLog {
    /// Numbers and keeps what is sent from now on, until `stop` is cancelled.
    pub(super) fn follow(news: &broadcast::Sender<Arc<str>>, stop: CancellationToken) -> Self {
        let log = Self { kept: Arc::default(), fresh: broadcast::channel(QUEUE).0 };
        let (mut receiver, own) = (news.subscribe(), log.clone());
        tokio::spawn(async move {
            loop {
                let line = tokio::select! {
                    () = stop.cancelled() => return,
                    line = receiver.recv() => line,
                };
                match line {
                    Ok(line) => own.push(line),
                    // Pages read the state anew.
                    Err(broadcast::error::RecvError::Lagged(count)) => own.push(missed(count)),
                    Err(broadcast::error::RecvError::Closed) => return,
                }
            }
        });
        log
    }

    /// Numbers, keeps and sends one piece of news.
    fn push(&self, line: Arc<str>) {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.last += 1;
        let numbered = (kept.last, line);
        if !numbered.1.starts_with("{\"news\":\"readings\"") {
            if kept.news.len() == KEPT {
                kept.dropped = kept.news.pop_front().map_or(kept.dropped, |(number, _)| number);
            }
            kept.news.push_back(numbered.clone());
        }
        // Without a page nobody receives it.
        drop(self.fresh.send(numbered));
    }

    /// What came after a number and is still kept, and what comes from now on. Nothing falls between the two. What is no longer kept
    /// is told as missed, so that the page reads the state anew.
    pub(super) fn since(&self, last_seen: Option<u64>) -> (Vec<NumberedNews>, broadcast::Receiver<NumberedNews>) {
        let kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(seen) = last_seen else { return (Vec::new(), self.fresh.subscribe()) };
        let gap = kept.dropped.checked_sub(seen).filter(|count| *count > 0).map(|count| (kept.dropped, missed(count)));
        let newer = kept.news.iter().filter(|(number, _)| *number > seen).cloned();
        (gap.into_iter().chain(newer).collect(), self.fresh.subscribe())
    }
}

/// That so many pieces of news never came to the reader.
fn missed(count: u64) -> Arc<str> {
    serde_json::to_string(&News::Missed { count }).expect("a number is JSON").into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn what_was_missed_comes_again_and_readings_do_not() {
        let (news, _) = broadcast::channel(16);
        let stop = CancellationToken::new();
        let log = NewsLog::follow(&news, stop.clone());
        let mut fresh = log.since(None).1;
        for line in ["{\"news\":\"step\"}", "{\"news\":\"readings\"}", "{\"news\":\"captured\"}"] {
            news.send(Arc::from(line)).unwrap();
        }
        let numbers = [fresh.recv().await.unwrap().0, fresh.recv().await.unwrap().0, fresh.recv().await.unwrap().0];
        assert_eq!(numbers, [1, 2, 3]);
        let missed = log.since(Some(1)).0;
        assert_eq!(missed, [(3, Arc::from("{\"news\":\"captured\"}"))]);
        assert!(log.since(None).0.is_empty(), "a new page reads the state instead");
        stop.cancel();
    }

    /// Seen: a page that came back late got the newest 512 pieces of news, and nothing said that there had been more.
    #[tokio::test]
    async fn what_is_no_longer_kept_is_told_as_missed() {
        let (news, _) = broadcast::channel(1);
        let log = NewsLog::follow(&news, CancellationToken::new());
        for number in 1..=KEPT + 3 {
            log.push(format!("{{\"news\":\"{number}\"}}").into());
        }
        let first_of = |seen: u64| (*log.since(Some(seen)).0.first().unwrap()).clone();
        assert_eq!(first_of(1), (3, Arc::from("{\"news\":\"missed\",\"count\":2}")));
        assert_eq!(log.since(Some(1)).0.len(), KEPT + 1);
        assert_eq!(first_of(3), (4, Arc::from("{\"news\":\"4\"}")), "all that came after it is kept");
        assert!(log.since(None).0.is_empty(), "a new page reads the state anyway");
    }

    #[tokio::test]
    async fn what_the_log_itself_missed_is_told() {
        let (news, _) = broadcast::channel(2);
        let stop = CancellationToken::new();
        let log = NewsLog::follow(&news, stop.clone());
        let mut fresh = log.since(None).1;
        // All at once, before the log can take the first.
        for number in 0..5 {
            news.send(Arc::from(format!("{{\"news\":\"{number}\"}}"))).unwrap();
        }
        assert_eq!(&*fresh.recv().await.unwrap().1, "{\"news\":\"missed\",\"count\":3}");
        assert_eq!(fresh.recv().await.unwrap(), (2, Arc::from("{\"news\":\"3\"}")));
        stop.cancel();
    }
}
