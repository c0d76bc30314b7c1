//! A serial server on the network.

use std::{
    io::{self, Read},
    net::{TcpStream, ToSocketAddrs},
    os::fd::AsFd,
    time::Duration,
};

use nix::sys::socket::{setsockopt, sockopt};

use super::{
    LONGEST_READ_WAIT, Port, ReadOutcome,
    connection::read_outcome,
    wait::{readable, write_all},
};

/// How long a serial server may take to answer.
const CONNECT_PATIENCE: Duration = Duration::from_secs(2);

pub(super) struct Tcp(TcpStream);

impl Tcp {
    pub(super) fn open(host: &str, port: u16) -> io::Result<Self> {
        let mut last = io::Error::new(io::ErrorKind::NotFound, "the host has no address");
        for address in (host, port).to_socket_addrs()? {
            match TcpStream::connect_timeout(&address, CONNECT_PATIENCE) {
                Ok(stream) => {
                    stream.set_nonblocking(true)?;
                    stream.set_nodelay(true)?;
                    notice_absence(&stream)?;
                    return Ok(Self(stream));
                }
                Err(error) => last = error,
            }
        }
        Err(last)
    }
}

/// A server whose plug was pulled does not close the connection: keep-alive probes find out whether it is there.
/// After some eleven seconds without an answer the connection counts as lost.
fn notice_absence(stream: &TcpStream) -> io::Result<()> {
    setsockopt(stream, sockopt::KeepAlive, &true)?;
    setsockopt(stream, sockopt::TcpKeepInterval, &2)?;
    setsockopt(stream, sockopt::TcpKeepCount, &3)?;
    #[cfg(not(any(target_os = "macos", target_os = "ios")))]
    setsockopt(stream, sockopt::TcpKeepIdle, &5)?;
    Ok(())
}

impl Port for Tcp {
    fn read(&mut self, buffer: &mut [u8], patience: Duration) -> io::Result<ReadOutcome> {
        match readable([self.0.as_fd()], patience.min(LONGEST_READ_WAIT))? {
            [true] => read_outcome(self.0.read(buffer)),
            [false] => Ok(ReadOutcome::Silence),
        }
    }

    fn write_all(&mut self, bytes: &[u8], patience: Duration) -> io::Result<()> {
        write_all(&mut self.0, bytes, patience)
    }
}

#[cfg(test)]
mod tests {
    use std::{io::Write, net::TcpListener};

    use super::*;

    fn pair() -> (Tcp, TcpStream) {
        let listener = TcpListener::bind(("127.0.0.1", 0)).unwrap();
        let port = Tcp::open("127.0.0.1", listener.local_addr().unwrap().port()).unwrap();
        (port, listener.accept().unwrap().0)
    }

    #[test]
    fn bytes_go_both_ways_until_the_server_hangs_up() {
        let (mut port, mut server) = pair();
        let mut buffer = [0; 64];
        assert_eq!(port.read(&mut buffer, Duration::ZERO).unwrap(), ReadOutcome::Silence);
        server.write_all(b"1.5\n").unwrap();
        assert_eq!(port.read(&mut buffer, LONGEST_READ_WAIT).unwrap(), ReadOutcome::Bytes(4));
        port.write_all(b"READ?\n", LONGEST_READ_WAIT).unwrap();
        let mut asked = [0; 6];
        server.read_exact(&mut asked).unwrap();
        assert_eq!(&asked, b"READ?\n");
        drop(server);
        assert_eq!(port.read(&mut buffer, LONGEST_READ_WAIT).unwrap_err().kind(), io::ErrorKind::UnexpectedEof);
    }

    #[test]
    fn a_server_that_takes_nothing_is_not_waited_for_longer_than_told() {
        let (mut port, server) = pair();
        // More than the buffers of both ends hold.
        let flood = vec![0; 64 << 20];
        let error = port.write_all(&flood, Duration::from_millis(1)).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
        drop(server);
    }
}
