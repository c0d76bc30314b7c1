//! What a key does. The keys of a presenter or foot switch are those of the live page.

use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

use crate::{daemon::OWN_VOICE, procedure::YesNo, server::Request};

/// What a key asks for.
pub(super) enum KeyAction {
    Quit,
    Ask(Request),
}

/// Reads keys; a mark or note is typed to its end first.
#[derive(Default)]
pub(super) struct KeyReader {
    typing: Option<Typing>,
}

struct Typing {
    what: TypedText,
    text: String,
}

#[derive(Clone, Copy)]
enum TypedText {
    Mark,
    Note,
}

/// Who made a mark that is typed here.
const SCREEN: &str = "watch";

/// The longest text that is typed here, in characters.
const LONGEST: usize = 200;

impl KeyReader {
    /// What is being typed, with what it is; none where keys are commands.
    pub(super) fn typing(&self) -> Option<(&'static str, &str)> {
        let typing = self.typing.as_ref()?;
        let what = match typing.what {
            TypedText::Mark => "mark",
            TypedText::Note => "note",
        };
        Some((what, &typing.text))
    }

    /// What a key does; `asks` where the step asks a question, which take answers by yes and again by no.
    pub(super) fn key(&mut self, key: KeyEvent, asks: bool) -> Option<KeyAction> {
        if key.modifiers.contains(KeyModifiers::CONTROL) {
            return matches!(key.code, KeyCode::Char('c' | 'd')).then_some(KeyAction::Quit);
        }
        match self.typing.take() {
            Some(typing) => self.type_on(typing, key.code),
            None => self.command(key.code, asks),
        }
    }

    fn command(&mut self, key: KeyCode, asks: bool) -> Option<KeyAction> {
        let step = |to: &str| Request::Step { to: to.to_owned() };
        let answer = |answer| Request::Take { channel: None, answer: Some(answer) };
        let request = match key {
            KeyCode::Char('q') | KeyCode::Esc => return Some(KeyAction::Quit),
            KeyCode::Char('m') => return self.begin(TypedText::Mark),
            KeyCode::Char('o') => return self.begin(TypedText::Note),
            KeyCode::Char('t' | ' ' | 'y') | KeyCode::Enter if asks => answer(YesNo::Yes),
            KeyCode::Char('a' | 'x') | KeyCode::PageUp if asks => answer(YesNo::No),
            KeyCode::Char('t' | ' ') | KeyCode::Enter => Request::Take { channel: None, answer: None },
            KeyCode::Char('n') | KeyCode::PageDown => step("next"),
            KeyCode::Char('a') | KeyCode::PageUp => step("again"),
            KeyCode::Char('b') => step("back"),
            KeyCode::Char('s') => step("skip"),
            KeyCode::Char('u') => Request::Undo {},
            KeyCode::Char('v') => Request::Speaker { name: OWN_VOICE.to_owned() },
            _ => return None,
        };
        Some(KeyAction::Ask(request))
    }

    fn begin(&mut self, what: TypedText) -> Option<KeyAction> {
        self.typing = Some(Typing { what, text: String::new() });
        None
    }

    fn type_on(&mut self, mut typing: Typing, key: KeyCode) -> Option<KeyAction> {
        match key {
            KeyCode::Enter => {
                let text = typing.text.trim().to_owned();
                return match typing.what {
                    TypedText::Mark => Some(KeyAction::Ask(Request::Mark { text, by: SCREEN.to_owned() })),
                    // A note without words is none.
                    TypedText::Note => (!text.is_empty()).then_some(KeyAction::Ask(Request::Note { text })),
                };
            }
            KeyCode::Esc => return None,
            KeyCode::Backspace => drop(typing.text.pop()),
            KeyCode::Char(character) if typing.text.chars().count() < LONGEST => typing.text.push(character),
            _ => {}
        }
        self.typing = Some(typing);
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(reader: &mut KeyReader, key: KeyCode, asks: bool) -> Option<Request> {
        match reader.key(KeyEvent::new(key, KeyModifiers::NONE), asks) {
            Some(KeyAction::Ask(request)) => Some(request),
            _ => None,
        }
    }

    #[test]
    fn a_presenter_works_the_session_and_answers_questions() {
        let reader = &mut KeyReader::default();
        let take = |answer| Some(Request::Take { channel: None, answer });
        assert_eq!(asked(reader, KeyCode::PageDown, false), Some(Request::Step { to: "next".to_owned() }));
        assert_eq!(asked(reader, KeyCode::PageUp, false), Some(Request::Step { to: "again".to_owned() }));
        assert_eq!(asked(reader, KeyCode::Char(' '), false), take(None));
        assert_eq!(asked(reader, KeyCode::Enter, true), take(Some(YesNo::Yes)));
        assert_eq!(asked(reader, KeyCode::PageUp, true), take(Some(YesNo::No)));
        assert_eq!(asked(reader, KeyCode::Char('u'), false), Some(Request::Undo {}));
    }

    #[test]
    fn a_mark_is_typed_before_its_letters_are_keys_again() {
        let reader = &mut KeyReader::default();
        for key in [KeyCode::Char('m'), KeyCode::Char('q'), KeyCode::Char('n'), KeyCode::Backspace] {
            assert_eq!(asked(reader, key, false), None);
        }
        assert_eq!(reader.typing(), Some(("mark", "q")));
        assert_eq!(
            asked(reader, KeyCode::Enter, false),
            Some(Request::Mark { text: "q".to_owned(), by: SCREEN.to_owned() })
        );
        assert_eq!(reader.typing(), None);
        asked(reader, KeyCode::Char('o'), false);
        assert_eq!(asked(reader, KeyCode::Enter, false), None, "a note without words");
    }
}
