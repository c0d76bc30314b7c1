//! Who speaks: of the live pages and the computer's own voice the one that was tapped last, and never two.

use std::path::{Path, PathBuf};

use super::announcer::{AnnouncementProgram, Announcer, ProgramEnding};
use crate::{
    clock::Mono,
    session::{Announcement, AnnouncementKind},
};
use strum::VariantArray;

/// The name of the computer's own voice.
pub(crate) const OWN_VOICE: &str = "say";

/// A page that speaks says so again and again. One that has not for so long is gone, and the own voice speaks again.
const PAGE_SILENT_US: i64 = 30_000_000;

/// How this computer announces by itself.
#[derive(Debug, Clone)]
pub(crate) enum OwnVoice {
    /// Not at all.
    Off,
    /// By a speech program.
    Speech(SpeechProgram),
    /// By what rings a bell, where there is no speech program.
    Bell(fn()),
}

/// A speech program of this computer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct SpeechProgram {
    /// Where it is.
    pub path: PathBuf,
    /// Its arguments before the words.
    arguments: &'static [&'static str],
    /// Its arguments that end what it is saying; empty where ending the program does.
    cancel: &'static [&'static str],
}

/// The speech programs that are looked for, the best first, with their arguments as their manuals have them, from memory. The first
/// is the desktop's own service, which goes on speaking when the program that asked it ends.
const SPEECH_PROGRAMS: [(&str, &[&str], &[&str]); 3] =
    [("spd-say", &["--wait", "--"], &["--cancel"]), ("espeak-ng", &["--"], &[]), ("say", &["--"], &[])];

impl SpeechProgram {
    /// The names of the programs that are looked for.
    pub(crate) fn names() -> String {
        SPEECH_PROGRAMS.map(|(name, ..)| name).join(", ")
    }

    /// The first that is in one of these folders, as `PATH` lists them.
    pub(crate) fn find(folders: &std::ffi::OsStr) -> Option<Self> {
        SPEECH_PROGRAMS.into_iter().find_map(|(name, arguments, cancel)| {
            let mut places = std::env::split_paths(folders).map(|folder| folder.join(name));
            places.find(|path| is_program(path)).map(|path| Self { path, arguments, cancel })
        })
    }

    fn command(&self, arguments: &[&str]) -> Vec<String> {
        let program = self.path.to_string_lossy().into_owned();
        std::iter::once(program).chain(arguments.iter().map(|&word| word.to_owned())).collect()
    }

    fn announcer(&self) -> Announcer {
        let cancel = if self.cancel.is_empty() { Vec::new() } else { self.command(self.cancel) };
        Announcer::start(AnnouncementProgram {
            name: "speech program",
            command: self.command(self.arguments),
            ending: ProgramEnding::Killed(cancel),
        })
    }
}

fn is_program(path: &Path) -> bool {
    use std::os::unix::fs::PermissionsExt;
    path.metadata().is_ok_and(|file| file.is_file() && file.permissions().mode() & 0o111 != 0)
}

/// The one that speaks, and the computer's own voice.
#[derive(Debug)]
pub(super) struct Speaker {
    own: ActiveVoice,
    /// The page that speaks, and when it last said so; none where the own voice has it.
    page: Option<(String, Mono)>,
}

/// The own voice at work.
#[derive(Debug)]
enum ActiveVoice {
    Off,
    Speech(Announcer),
    Bell(fn()),
}

impl Speaker {
    /// The own voice speaks at first; within a runtime.
    pub(super) fn new(voice: &OwnVoice) -> Self {
        let own = match voice {
            OwnVoice::Off => ActiveVoice::Off,
            OwnVoice::Speech(program) => ActiveVoice::Speech(program.announcer()),
            OwnVoice::Bell(ring) => ActiveVoice::Bell(*ring),
        };
        Self { own, page: None }
    }

    /// Who speaks; none where nobody does.
    pub(super) fn name(&self) -> Option<&str> {
        match (&self.page, &self.own) {
            (Some((page, _)), _) => Some(page),
            (None, ActiveVoice::Off) => None,
            (None, ActiveVoice::Speech(_) | ActiveVoice::Bell(_)) => Some(OWN_VOICE),
        }
    }

    /// This one speaks from now on, or still does; an empty name or that of the own voice gives it back. Whether that is another one.
    pub(super) fn claim(&mut self, name: &str, at: Mono) -> bool {
        let before = self.name().map(str::to_owned);
        self.page = (!name.is_empty() && name != OWN_VOICE).then(|| (name.to_owned(), at));
        if self.page.is_some() {
            self.withdraw(AnnouncementKind::VARIANTS);
        }
        before.as_deref() != self.name()
    }

    /// Gives it back from a page that is gone. Whether that is another one.
    pub(super) fn tick(&mut self, at: Mono) -> bool {
        let is_gone = self.page.as_ref().is_some_and(|(_, said)| at.since(*said) > PAGE_SILENT_US);
        is_gone && self.claim("", at)
    }

    /// Says it, where no page does.
    pub(super) fn announce(&mut self, announcement: &Announcement) {
        match &mut self.own {
            ActiveVoice::Speech(announcer) if self.page.is_none() => announcer.announce(announcement.clone()),
            // The names of steps come with every step; a bell for each would mean nothing.
            ActiveVoice::Bell(ring) if self.page.is_none() && announcement.kind != AnnouncementKind::Step => ring(),
            ActiveVoice::Off | ActiveVoice::Speech(_) | ActiveVoice::Bell(_) => {}
        }
    }

    /// Ends announcements of these kinds: they no longer hold.
    pub(super) fn withdraw(&self, kinds: &[AnnouncementKind]) {
        if let ActiveVoice::Speech(announcer) = &self.own {
            announcer.withdraw(kinds);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_one_tapped_speaks_until_it_is_gone() {
        let mut speaker = Speaker::new(&OwnVoice::Bell(|| {}));
        assert_eq!(speaker.name(), Some(OWN_VOICE));
        assert!(speaker.claim("page-1", Mono(0)));
        assert!(!speaker.claim("page-1", Mono(20_000_000)), "it only says that it is there");
        assert!(speaker.claim("page-2", Mono(21_000_000)));
        assert_eq!(speaker.name(), Some("page-2"));
        assert!(!speaker.tick(Mono(51_000_000)));
        assert!(speaker.tick(Mono(51_000_001)));
        assert_eq!(speaker.name(), Some(OWN_VOICE));
        assert!(speaker.claim("page-1", Mono(52_000_000)));
        assert!(speaker.claim(OWN_VOICE, Mono(53_000_000)));
        let mut nobody = Speaker::new(&OwnVoice::Off);
        assert_eq!(nobody.name(), None);
        assert!(nobody.claim("page-1", Mono(0)) && nobody.claim("", Mono(1)));
    }

    #[test]
    fn the_first_speech_program_of_the_path_is_taken() {
        use std::os::unix::fs::PermissionsExt;
        let folders = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
        let path = std::env::join_paths(folders.iter().map(tempfile::TempDir::path)).unwrap();
        assert_eq!(SpeechProgram::find(&path), None);
        let make = |folder: usize, name: &str, mode: u32| {
            let path = folders[folder].path().join(name);
            std::fs::write(&path, "").unwrap();
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
            path
        };
        // A file that can't be run is no program.
        make(0, "spd-say", 0o644);
        let found = make(1, "espeak-ng", 0o755);
        make(0, "say", 0o755);
        let program = SpeechProgram::find(&path).unwrap();
        assert_eq!(
            (program.path.clone(), program.command(program.arguments)[1..].to_vec()),
            (found, vec!["--".to_owned()])
        );
        let best = make(1, "spd-say", 0o755);
        assert_eq!(SpeechProgram::find(&path).map(|program| program.path), Some(best));
    }
}
