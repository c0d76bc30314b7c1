//! Proves that the daemon says when it is ready, ends soon and well, and leaves nothing half done.

use std::{
    net::TcpListener,
    os::unix::net::UnixDatagram,
    process::{Command, Stdio},
    time::Duration,
};

use nix::sys::signal::Signal;

use crate::harness::{Bay, HANDHELD, now, of_meter, until};

/// The promise to the operator.
const SOON: Duration = Duration::from_secs(2);

#[test]
fn each_signal_ends_the_daemon_soon_and_well() {
    // SIGHUP: the terminal that it was started in was closed.
    for signal in [Signal::SIGINT, Signal::SIGTERM, Signal::SIGHUP] {
        let bay = Bay::with_bench(HANDHELD);
        let handheld = bay.meter("handheld");
        // Whoever runs the tests may have had SIGHUP ignored, and that is inherited.
        let mut command = Command::new("env");
        bay.at_home(&mut command).arg("--default-signal=HUP");
        let program = bay.command(["run", "--bench", "bench.toml"]);
        let mut daemon = bay.launch({
            command.arg(program.get_program()).args(program.get_args());
            command
        });
        daemon.until_open(["handheld"]);
        daemon.step("the drive");
        handheld.lines(["12.1 V", "12.2 V"]);
        daemon.until_samples(2);
        let (status, took) = daemon.stop_with(signal);
        assert!(status.success(), "{signal}: {status}");
        assert!(took < SOON, "{signal}: {took:?}");
        assert!(!bay.socket().exists());
        let kept = bay.kept();
        assert_eq!(kept.rows("SELECT ended_how, last_row FROM session"), ["stopped | 2"]);
        assert_eq!(kept.rows("SELECT name, left_how, last_row FROM step"), ["the drive | session ended | 2"]);
        kept.assert_sound();
    }
}

#[test]
fn a_daemon_that_is_to_outlive_its_terminal_does() {
    let bay = Bay::with_bench(HANDHELD);
    let handheld = bay.meter("handheld");
    let mut command = Command::new("sh");
    bay.at_home(&mut command).args(["-c", "trap '' HUP; exec \"$0\" \"$@\""]);
    let program = bay.command(["run", "--bench", "bench.toml"]);
    command.arg(program.get_program()).args(program.get_args());
    let mut daemon = bay.launch(command);
    daemon.until_open(["handheld"]);
    daemon.signal(Signal::SIGHUP);
    handheld.line("12.1 V");
    daemon.until_samples(1);
    daemon.stop();
}

#[test]
fn ports_that_are_missing_or_silent_do_not_hold_the_end_up() {
    // A serial server that never speaks, one that refuses, a device that is not there.
    let silent = TcpListener::bind("127.0.0.1:0").unwrap();
    let refusing = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let meter =
        |name: &str, port: &str| format!("[[meter]]\nname = \"{name}\"\nport = \"{port}\"\nprotocol = \"number\"\n");
    let bay = Bay::with_bench(
        &[
            meter("silent", &format!("tcp://{}", silent.local_addr().unwrap())),
            meter("refusing", &format!("tcp://{refusing}")),
            meter("absent", "PORTS/absent"),
        ]
        .concat(),
    );
    let mut daemon = bay.start();
    daemon.until_open(["silent"]);
    let (status, took) = daemon.stop_with(Signal::SIGTERM);
    assert!(status.success() && took < SOON, "{status} after {took:?}");
}

#[test]
fn clients_that_hang_on_do_not_hold_the_end_up() {
    let bay = Bay::with_bench(HANDHELD);
    let daemon = bay.start();
    let mut idle = bay.client();
    let mut watcher = bay.client();
    watcher.ask(serde_json::json!({"do": "watch"}));
    let (status, took) = daemon.stop_with(Signal::SIGTERM);
    assert!(status.success() && took < SOON, "{status} after {took:?}");
    assert_eq!(idle.next(), None);
    while watcher.next().is_some() {}
}

#[test]
fn a_service_manager_is_reported_ready_and_stopping() {
    let bay = Bay::with_bench(HANDHELD);
    let word = UnixDatagram::bind(bay.path("notify.sock")).unwrap();
    word.set_read_timeout(Some(crate::harness::PATIENCE)).unwrap();
    let mut command = bay.command(["run", "--bench", "bench.toml"]);
    command.env("NOTIFY_SOCKET", bay.path("notify.sock")).stderr(Stdio::null());
    let mut process = command.spawn().unwrap();
    let mut message = [0; 256];
    let mut next = || {
        let length = word.recv(&mut message).unwrap();
        String::from_utf8(message[..length].to_vec()).unwrap()
    };
    assert!(next().contains("READY=1"));
    // Ready means that clients are answered.
    bay.client().status();
    let stop = nix::sys::signal::kill(nix::unistd::Pid::from_raw(process.id().cast_signed()), Signal::SIGTERM);
    stop.unwrap();
    assert!(next().contains("STOPPING=1"));
    assert!(process.wait().unwrap().success());
}

#[test]
fn the_log_goes_to_stderr_and_its_level_can_be_set() {
    let bay = Bay::with_bench(HANDHELD);
    for (level, speaks) in [("info", true), ("error", false)] {
        let word = bay.path("notify.sock");
        drop(std::fs::remove_file(&word));
        let ready = UnixDatagram::bind(&word).unwrap();
        ready.set_read_timeout(Some(crate::harness::PATIENCE)).unwrap();
        let mut command = bay.command(["run", "--bench", "bench.toml"]);
        command.env("NOTIFY_SOCKET", &word).env("BAYLINE_LOG", level);
        let process = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        ready.recv(&mut [0; 256]).unwrap();
        let number = nix::unistd::Pid::from_raw(process.id().cast_signed());
        nix::sys::signal::kill(number, Signal::SIGTERM).unwrap();
        let output = process.wait_with_output().unwrap();
        assert!(output.status.success() && output.stdout.is_empty());
        let log = String::from_utf8(output.stderr).unwrap();
        assert_eq!(log.contains("recording to"), speaks, "{level}: {log}");
        // Colours are for a terminal.
        assert!(!log.contains('\u{1b}'), "{log:?}");
    }
}

/// Seen on a daemon whose log went to a pipe: when the reader of the pipe had ended, the next line of the log
/// was a panic. In the loop it ended the recording; in the task that waits for signals, nothing could stop it.
#[test]
fn a_log_that_nobody_reads_any_more_changes_nothing() {
    let bay = Bay::with_bench(HANDHELD);
    let word = UnixDatagram::bind(bay.path("notify.sock")).unwrap();
    word.set_read_timeout(Some(crate::harness::PATIENCE)).unwrap();
    let (reader, writer) = std::io::pipe().unwrap();
    let mut command = bay.command(["run", "--bench", "bench.toml"]);
    let mut process = command.env("NOTIFY_SOCKET", bay.path("notify.sock")).stderr(writer).spawn().unwrap();
    drop(command);
    word.recv(&mut [0; 256]).unwrap();
    drop(reader);

    // Each of these is a line of the log.
    let mut handheld = bay.meter("handheld");
    let mut client = bay.client();
    let mut until_open = |open| {
        until("the port", || {
            let status = client.status();
            if of_meter(&status, "handheld")["open"] == open { Ok(()) } else { Err(status) }
        });
    };
    until_open(true);
    handheld.line("12.4?5");
    handheld.unplug();
    until_open(false);
    client.note("still here");

    let began = now();
    let number = nix::unistd::Pid::from_raw(process.id().cast_signed());
    nix::sys::signal::kill(number, Signal::SIGTERM).unwrap();
    let status = until("the end", || process.try_wait().unwrap().ok_or("it goes on"));
    assert!(status.success() && began.elapsed() < SOON, "{status} after {:?}", began.elapsed());
    assert_eq!(bay.kept().rows("SELECT ended_how FROM session"), ["stopped"]);
}

#[test]
fn a_failure_that_nobody_reads_is_reported_by_the_exit_status() {
    let bay = Bay::new();
    for (arguments, code) in [(["show", "last"], 1), (["run", "--bench=none.toml"], 2), (["step", "next"], 3)] {
        let (reader, writer) = std::io::pipe().unwrap();
        drop(reader);
        let status = bay.command(arguments).stderr(writer).status().unwrap();
        assert_eq!(status.code(), Some(code), "{arguments:?}");
    }
}
