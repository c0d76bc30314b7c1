//! The screen of `bayline watch` on a terminal: one place that is drawn anew, and keys for what the operator does.
//!
//! Reading order: this file runs it; `state` is what is known of the session, `keys` what a key does, `layout` which lines are shown
//! where, and `text` wraps and cuts them.

mod keys;
mod layout;
mod state;
mod text;

use std::{
    io::{self, Write, stdout},
    sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel},
    thread,
    time::Duration,
};

use ratatui::{
    crossterm::event::{self, Event, KeyEventKind},
    widgets::Paragraph,
};

use super::{CommonArgs, client::Client, failure::Failure, stop::ShutdownSignals};
use crate::{
    clock::{Clock, micros},
    sanitize::sanitized_record,
    server::{News, Request},
    store::read::Archive,
};
use keys::{KeyAction, KeyReader};
use state::ScreenState;

/// How often the meters and alarms are asked for.
const STATUS_EVERY: Duration = Duration::from_secs(1);

/// What the screen reacts to.
enum ScreenEvent {
    News(Box<News>),
    Terminal(Event),
    /// The daemon has closed the connection.
    Gone,
    /// The terminal can't be read any more.
    NoKeys,
    /// This program is to end.
    Signal,
}

/// Follows the session until a key or the daemon ends it.
pub(super) fn run(common: &CommonArgs) -> Result<(), Failure> {
    let mut client = Client::connect(common)?;
    let mut watching = Client::connect(common)?;
    let mut state = ScreenState::default();
    // First the news, then the state: nothing happens between the two unseen.
    watching.ask(&Request::Watch {})?;
    refresh(&mut client, &mut state)?;
    load_ledger(common, &mut state);
    let (sender, events) = channel();
    let to_screen = sender.clone();
    thread::spawn(move || read_news(&mut watching, &to_screen));
    // A signal to end ends the screen as a key does. It is waited for before anything is drawn.
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let signals = {
        let _entered = runtime.enter();
        ShutdownSignals::new()?
    };
    // Restored by `ratatui::restore`, also where this program panics.
    let mut terminal = ratatui::try_init()?;
    let signalled = sender.clone();
    thread::spawn(move || {
        let mut signals = signals;
        runtime.block_on(signals.received());
        drop(signalled.send(ScreenEvent::Signal));
    });
    thread::spawn(move || read_keys(&sender));
    let ended = follow(&mut terminal, &mut client, &mut state, &events, common);
    ratatui::restore();
    let left = ended?;
    if left == ScreenExit::DaemonStopped {
        writeln!(stdout(), "the daemon has stopped")?;
    }
    Ok(())
}

/// Why the screen is left.
#[derive(PartialEq)]
enum ScreenExit {
    ByKey,
    DaemonStopped,
}

fn follow(
    terminal: &mut ratatui::DefaultTerminal,
    client: &mut Client,
    state: &mut ScreenState,
    events: &Receiver<ScreenEvent>,
    common: &CommonArgs,
) -> Result<ScreenExit, Failure> {
    let mut keys = KeyReader::default();
    let clock = Clock::start();
    let mut asked = clock.mono();
    loop {
        terminal.draw(|frame| {
            let area = frame.area();
            let (width, height) = (usize::from(area.width), usize::from(area.height));
            let lines = layout::screen(state, &keys, width, height);
            frame.render_widget(Paragraph::new(lines), area);
        })?;
        if state.take_bell() {
            // For an operator who looks at the probes.
            stdout().write_all(b"\x07")?;
            stdout().flush()?;
        }
        let first = match events.recv_timeout(STATUS_EVERY) {
            Ok(event) => Some(event),
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => return Ok(ScreenExit::DaemonStopped),
        };
        // Readings come without a pause: the rest is asked for now and then all the same.
        let mut is_due = clock.mono().since(asked) >= micros(STATUS_EVERY);
        for event in first.into_iter().chain(events.try_iter().take(256)) {
            match event {
                ScreenEvent::News(news) => {
                    is_due |= state.is_due(&news);
                    state.news(*news);
                }
                ScreenEvent::Gone => return Ok(ScreenExit::DaemonStopped),
                ScreenEvent::NoKeys | ScreenEvent::Signal => return Ok(ScreenExit::ByKey),
                ScreenEvent::Terminal(Event::Key(key)) if key.kind != KeyEventKind::Release => {
                    match keys.key(key, state.asks_a_question()) {
                        Some(KeyAction::Quit) => return Ok(ScreenExit::ByKey),
                        Some(KeyAction::Ask(request)) => state.answered(client.ask(&request)),
                        None => {}
                    }
                    is_due = true;
                }
                ScreenEvent::Terminal(_) => {}
            }
        }
        if is_due {
            asked = clock.mono();
            match refresh(client, state) {
                Ok(true) => load_ledger(common, state),
                Ok(false) => {}
                Err(_) => return Ok(ScreenExit::DaemonStopped),
            }
        }
    }
}

/// Asks for the state; whether another session is on.
fn refresh(client: &mut Client, state: &mut ScreenState) -> Result<bool, Failure> {
    let status = client.ask(&Request::Status {})?.status.unwrap_or_default();
    Ok(state.status(sanitized_record(&status).map_err(io::Error::from)?))
}

/// What was done before this screen was opened. Where it can't be read, the ledger begins now.
fn load_ledger(common: &CommonArgs, state: &mut ScreenState) {
    let Some(session) = state.session().map(str::to_owned) else { return };
    let read = || {
        let archive = Archive::open(&common.folder().ok()?).ok()?;
        let (connection, session) = archive.find(&session).ok()?;
        crate::store::read::steps(connection, session.id).ok()
    };
    if let Some(steps) = read() {
        state.ledger_of(&steps);
    }
}

fn read_news(client: &mut Client, to_screen: &Sender<ScreenEvent>) {
    while let Ok(Some(line)) = client.next_line() {
        // News that this version does not know are no reason to stop.
        let Ok(news) = serde_json::from_str::<News>(&line).and_then(|news| sanitized_record(&news)) else { continue };
        if to_screen.send(ScreenEvent::News(Box::new(news))).is_err() {
            return;
        }
    }
    drop(to_screen.send(ScreenEvent::Gone));
}

fn read_keys(to_screen: &Sender<ScreenEvent>) {
    while let Ok(event) = event::read() {
        if to_screen.send(ScreenEvent::Terminal(event)).is_err() {
            return;
        }
    }
    drop(to_screen.send(ScreenEvent::NoKeys));
}
