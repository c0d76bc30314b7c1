//! A fake meter: a pseudo-terminal behind a name that stays when it is unplugged.

use std::{
    fs,
    os::{
        fd::{AsFd, OwnedFd},
        unix::fs::symlink,
    },
    path::{Path, PathBuf},
};

use nix::{
    errno::Errno,
    fcntl::{FcntlArg, FdFlag, OFlag, fcntl},
    poll::{PollFd, PollFlags, PollTimeout, poll},
    pty::openpty,
    sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr},
    unistd::{ttyname, write},
};

use super::PATIENCE;

pub struct Meter {
    link: PathBuf,
    ends: Option<Ends>,
}

struct Ends {
    device: OwnedFd,
    /// Kept open, so that nothing is lost while nobody else has the port open.
    _port: OwnedFd,
}

impl Meter {
    /// A meter that is not plugged in yet.
    pub fn absent(link: &Path) -> Self {
        Self { link: link.to_owned(), ends: None }
    }

    /// Plugs it in: on another terminal each time, as a system does.
    pub fn plug_in(&mut self) {
        assert!(self.ends.is_none(), "it is plugged in already");
        let pair = openpty(None, None).unwrap();
        for end in [&pair.master, &pair.slave] {
            fcntl(end, FcntlArg::F_SETFD(FdFlag::FD_CLOEXEC)).unwrap();
        }
        let mut settings = tcgetattr(&pair.slave).unwrap();
        cfmakeraw(&mut settings);
        tcsetattr(&pair.slave, SetArg::TCSANOW, &settings).unwrap();
        fcntl(&pair.master, FcntlArg::F_SETFL(OFlag::O_RDWR | OFlag::O_NONBLOCK)).unwrap();
        symlink(ttyname(pair.slave.as_fd()).unwrap(), &self.link).unwrap();
        self.ends = Some(Ends { device: pair.master, _port: pair.slave });
    }

    /// Pulls the cable: its name vanishes and whoever reads gets an error.
    pub fn unplug(&mut self) {
        fs::remove_file(&self.link).unwrap();
        self.ends = None;
    }

    /// Sends a line as boards do, with carriage return and line feed.
    pub fn line(&self, text: &str) {
        self.bytes(format!("{text}\r\n").as_bytes());
    }

    pub fn lines<'a>(&self, lines: impl IntoIterator<Item = &'a str>) {
        lines.into_iter().for_each(|text| self.line(text));
    }

    /// Sends bytes as they are; waits where the port is full, since somebody reads it.
    pub fn bytes(&self, mut bytes: &[u8]) {
        let device = &self.ends.as_ref().expect("it is plugged in").device;
        while !bytes.is_empty() {
            match write(device, bytes) {
                Ok(count) => bytes = &bytes[count..],
                Err(Errno::EAGAIN) => {
                    let patience = PollTimeout::try_from(PATIENCE).unwrap();
                    let ready = poll(&mut [PollFd::new(device.as_fd(), PollFlags::POLLOUT)], patience);
                    assert_eq!(ready, Ok(1), "nobody reads the port");
                }
                Err(Errno::EINTR) => {}
                Err(error) => panic!("the fake meter can't write: {error}"),
            }
        }
    }
}
