//! A fake meter: a pseudo-terminal behind a name that stays when it is unplugged.

use std::{
    fs,
    os::{
        fd::{AsFd, BorrowedFd, OwnedFd},
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
    unistd::{read, ttyname, write},
};

use super::PATIENCE;

pub(crate) struct Meter {
    link: PathBuf,
    ends: Option<Ends>,
}

struct Ends {
    device: OwnedFd,
    /// Kept open, so that nothing is lost while nobody else has the port open.
    port: OwnedFd,
}

impl Meter {
    /// A meter that is not plugged in yet.
    pub(crate) fn absent(link: &Path) -> Self {
        Self { link: link.to_owned(), ends: None }
    }

    /// Plugs it in: on another terminal each time, as a system does.
    pub(crate) fn plug_in(&mut self) {
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
        self.ends = Some(Ends { device: pair.master, port: pair.slave });
    }

    /// Pulls the cable: its name vanishes and whoever reads gets an error.
    pub(crate) fn unplug(&mut self) {
        fs::remove_file(&self.link).unwrap();
        self.ends = None;
    }

    /// Sends a line as boards do, with carriage return and line feed.
    pub(crate) fn line(&self, text: &str) {
        self.bytes(format!("{text}\r\n").as_bytes());
    }

    pub(crate) fn lines<'a>(&self, lines: impl IntoIterator<Item = &'a str>) {
        lines.into_iter().for_each(|text| self.line(text));
    }

    /// Sends bytes as they are; waits where the port is full, since somebody reads it.
    pub(crate) fn bytes(&self, mut bytes: &[u8]) {
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
    /// The meter's end, to wait on.
    pub(super) fn device(&self) -> BorrowedFd<'_> {
        self.ends.as_ref().expect("it is plugged in").device.as_fd()
    }

    /// What the program wrote since the last call.
    pub(super) fn heard(&self) -> Vec<u8> {
        let (mut heard, mut chunk) = (Vec::new(), [0; 1024]);
        loop {
            match read(self.device(), &mut chunk) {
                Ok(0) | Err(Errno::EAGAIN) => return heard,
                Ok(count) => heard.extend_from_slice(&chunk[..count]),
                Err(Errno::EINTR) => {}
                Err(error) => panic!("the fake meter can't read: {error}"),
            }
        }
    }

    /// Writes at the program's end, as if the program had written it.
    pub(super) fn as_program(&self, bytes: &[u8]) {
        let port = &self.ends.as_ref().expect("it is plugged in").port;
        assert_eq!(write(port, bytes), Ok(bytes.len()));
    }
}

impl Drop for Meter {
    /// The name goes first: a daemon that still runs would open whatever terminal the system gives that number to next, which
    /// is another test's.
    fn drop(&mut self) {
        if self.ends.is_some() {
            drop(fs::remove_file(&self.link));
        }
    }
}
