//! One bay of the workshop: a folder for the data, one for the ports, and the files that someone wrote.

use std::{
    ffi::OsStr,
    fs,
    io::{Write, stderr},
    path::{Path, PathBuf},
    process::{Command, Stdio, exit},
    sync::mpsc,
    thread,
    time::Duration,
};

use nix::{
    sys::signal::{Signal, kill},
    unistd::Pid,
};
use tempfile::TempDir;

use super::{Client, Daemon, Kept, Meter, PATIENCE};

/// How long one test may take on a slow computer. Most end within seconds.
const LONGEST_TEST: Duration = Duration::from_secs(600);

pub(crate) struct Bay {
    folder: TempDir,
    /// Dropped with the bay.
    _in_use: mpsc::Sender<()>,
}

impl Bay {
    pub(crate) fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir(folder.path().join("ports")).unwrap();
        Self { folder, _in_use: watched_test() }
    }

    /// A bay with a bench file, in which `PORTS/` stands for the folder of the ports.
    pub(crate) fn with_bench(text: &str) -> Self {
        let bay = Self::new();
        bay.write("bench.toml", text);
        bay
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Where the daemon keeps everything.
    pub(crate) fn data(&self) -> PathBuf {
        self.path("data")
    }

    pub(crate) fn database(&self) -> PathBuf {
        self.data().join("bayline.db")
    }

    pub(crate) fn socket(&self) -> PathBuf {
        self.data().join("control.sock")
    }

    /// Writes a file, in which `PORTS/` stands for the folder of the ports.
    pub(crate) fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.path(name);
        fs::write(&path, text.replace("PORTS/", &format!("{}/", self.path("ports").display()))).unwrap();
        path
    }

    /// A meter that is plugged in.
    pub(crate) fn meter(&self, name: &str) -> Meter {
        let mut meter = self.absent_meter(name);
        meter.plug_in();
        meter
    }

    /// A meter that is not there yet.
    pub(crate) fn absent_meter(&self, name: &str) -> Meter {
        Meter::absent(&self.port(name))
    }

    /// The name under which a meter is found.
    pub(crate) fn port(&self, name: &str) -> PathBuf {
        self.path("ports").join(name)
    }

    /// Starts the daemon on the bench file.
    pub(crate) fn start(&self) -> Daemon {
        self.start_with(&[])
    }

    /// Starts the daemon on the bench file with more options.
    pub(crate) fn start_with(&self, options: &[&str]) -> Daemon {
        let mut command = self.command(["run", "--bench", "bench.toml"]);
        command.args(options);
        self.launch(command)
    }

    /// Starts a daemon by a command of its own.
    pub(crate) fn launch(&self, command: Command) -> Daemon {
        Daemon::start(command, &self.path("ready.sock"), &self.socket())
    }

    /// The program with these arguments, in this bay and nowhere else.
    pub(crate) fn command<S: AsRef<OsStr>>(&self, arguments: impl IntoIterator<Item = S>) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_bayline"));
        self.at_home(&mut command).arg("--data").arg(self.data()).args(arguments);
        command
    }

    /// Takes the settings of this computer out of the environment.
    pub(crate) fn at_home<'a>(&self, command: &'a mut Command) -> &'a mut Command {
        for name in ["BAYLINE_DATA", "BAYLINE_LOG", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "NOTIFY_SOCKET"] {
            command.env_remove(name);
        }
        command.env("HOME", self.folder.path()).env("TZ", "UTC").current_dir(self.folder.path())
    }

    /// Runs the program and returns its output.
    pub(crate) fn bayline<S: AsRef<OsStr>>(&self, arguments: impl IntoIterator<Item = S>) -> ProgramOutput {
        ProgramOutput::by(self.command(arguments))
    }

    /// The database, read by bare SQLite.
    pub(crate) fn kept(&self) -> Kept {
        Kept::open(&self.database())
    }

    /// Another script at the control socket.
    pub(crate) fn client(&self) -> Client {
        Client::connect(&self.socket())
    }
}

/// Ends the run where a test hangs, and names it. It lives until what is returned is dropped.
fn watched_test() -> mpsc::Sender<()> {
    let (in_use, ended) = mpsc::channel::<()>();
    let test = thread::current().name().unwrap_or("a test").to_owned();
    thread::spawn(move || {
        if ended.recv_timeout(LONGEST_TEST) == Err(mpsc::RecvTimeoutError::Timeout) {
            drop(writeln!(stderr(), "{test} hangs: it has not ended within {LONGEST_TEST:?}"));
            exit(1);
        }
    });
    in_use
}

/// Every session that a test has recorded is judged again: all must come out the same, whatever happened to it.
impl Drop for Bay {
    fn drop(&mut self) {
        if thread::panicking() || !self.database().exists() {
            return;
        }
        let output = self.bayline(["judge", "all", "--check"]);
        // Databases that a test has damaged, or made by hand, tell something else.
        let is_ours =
            ["differs from its record", "can't be judged again: "].iter().any(|words| output.stderr.contains(words));
        assert!(!is_ours, "{output:?}");
    }
}

/// The output of a command and how it ended.
#[derive(Debug)]
pub(crate) struct ProgramOutput {
    pub code: Option<i32>,
    pub stdout: String,
    pub stderr: String,
}

impl ProgramOutput {
    /// Runs a command to its end; one that does not end is a daemon that should have been refused.
    pub(crate) fn by(command: Command) -> Self {
        Self::within(command, PATIENCE)
    }

    /// The same of one that takes its time by itself.
    pub(crate) fn within(mut command: Command, patience: Duration) -> Self {
        let process = command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        let number = Pid::from_raw(process.id().cast_signed());
        let (sender, ended) = mpsc::channel();
        thread::spawn(move || drop(sender.send(process.wait_with_output().unwrap())));
        let output = ended.recv_timeout(patience).unwrap_or_else(|_| {
            let _gone = kill(number, Signal::SIGKILL);
            panic!("{command:?} did not end");
        });
        Self {
            code: output.status.code(),
            stdout: String::from_utf8(output.stdout).unwrap(),
            stderr: String::from_utf8(output.stderr).unwrap(),
        }
    }

    /// It must have been done; gives back what it printed.
    pub(crate) fn done(self) -> String {
        assert_eq!(self.code, Some(0), "{self:?}");
        self.stdout
    }

    /// It must have ended with this status; gives back the sentence.
    pub(crate) fn failed(self, code: i32) -> String {
        assert_eq!(self.code, Some(code), "{self:?}");
        assert!(self.stderr.starts_with("bayline: ") && self.stderr.lines().count() == 1, "not a sentence: {self:?}");
        self.stderr
    }
}

/// The path as a command line wants it.
pub(crate) fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}
