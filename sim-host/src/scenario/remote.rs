//! A controller at the other end of a byte stream: a child process on its standard input and
//! output, or a program that listens on a TCP port of this machine.
//!
//! It is asked once a tick and given a while to answer. One that dies, hangs or talks nonsense is
//! lost, for the rest of the run; the bench then has its outputs off. Only loopback addresses are
//! connected to: the bench drives nothing real and has no business on a network.

use super::protocol::{Answer, Question, VERSION, Wired, framed, numbers, unframed};
use crate::control::{Control, Lost};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::Duration;
use stopwright_core::controller::{Inputs, Outputs};
use stopwright_core::fault::FaultSet;

/// How long an answer may take: the press stands still meanwhile, so this is patience with a slow
/// program and no property of the press.
const PATIENCE: Duration = Duration::from_secs(10);
/// Longest frame that is read; an answer has well under a hundred bytes.
const FRAME_MOST: u64 = 4_096;

/// No controller could be reached.
#[derive(Debug, thiserror::Error)]
pub enum RemoteError {
    /// The command does not run.
    #[error("controller {command:?}: {error}")]
    Command {
        /// As it was given.
        command: String,
        /// Why.
        error: std::io::Error,
    },
    /// Not an address of this machine.
    #[error(
        "controller {address:?}: an address of this machine is allowed, such as tcp:127.0.0.1:4000"
    )]
    Address {
        /// As it was given.
        address: String,
    },
    /// It does not speak the protocol.
    #[error("controller: {0}")]
    Hello(String),
}

/// The controller.
#[derive(Debug)]
pub struct Remote {
    child: Option<Child>,
    writer: Writer,
    frames: Receiver<Vec<u8>>,
    latched: FaultSet,
    name: String,
}

struct Writer(Box<dyn Write>);

impl std::fmt::Debug for Writer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("writer")
    }
}

impl Remote {
    /// Starts the command of this line (words parted by blanks), or connects to `tcp:ADDRESS`.
    ///
    /// # Errors
    /// [`RemoteError`].
    pub fn open(place: &str) -> Result<Self, RemoteError> {
        match place.strip_prefix("tcp:") {
            Some(address) => Self::connect(address),
            None => Self::spawn(place),
        }
    }

    fn connect(address: &str) -> Result<Self, RemoteError> {
        let wrong = || RemoteError::Address {
            address: address.to_owned(),
        };
        let socket: SocketAddr = address.parse().map_err(|_| wrong())?;
        if !socket.ip().is_loopback() {
            return Err(wrong());
        }
        let failed = |error| RemoteError::Command {
            command: address.to_owned(),
            error,
        };
        let stream = TcpStream::connect(socket).map_err(failed)?;
        stream.set_nodelay(true).map_err(failed)?;
        let reader = stream.try_clone().map_err(failed)?;
        Self::begin(None, Box::new(stream), reader)
    }

    fn spawn(line: &str) -> Result<Self, RemoteError> {
        let failed = |error| RemoteError::Command {
            command: line.to_owned(),
            error,
        };
        let mut words = line.split_whitespace();
        let program = words.next().unwrap_or_default();
        let child = Command::new(program)
            .args(words)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn();
        let mut child = child.map_err(failed)?;
        match (child.stdin.take(), child.stdout.take()) {
            (Some(writer), Some(reader)) => Self::begin(Some(child), Box::new(writer), reader),
            // Asked for just above.
            _ => Err(RemoteError::Hello("no pipe to it".to_owned())),
        }
    }

    fn begin(
        child: Option<Child>,
        writer: Box<dyn Write>,
        reader: impl Read + Send + 'static,
    ) -> Result<Self, RemoteError> {
        let mut remote = Self {
            child,
            writer: Writer(writer),
            frames: frames_of(reader),
            latched: FaultSet::EMPTY,
            name: String::new(),
        };
        let hello = Question::Hello { version: VERSION };
        let answer = remote
            .ask(&hello)
            .map_err(|lost| RemoteError::Hello(lost.0))?;
        match answer {
            Answer::Hello { version, name } if version == VERSION => remote.name = name,
            Answer::Hello { version, .. } => {
                let text = format!(
                    "it speaks version {version} of the protocol; {VERSION} is spoken here"
                );
                return Err(RemoteError::Hello(text));
            }
            Answer::Tick(_) => return Err(RemoteError::Hello("it did not say hello".to_owned())),
        }
        remote
            .restart(FaultSet::EMPTY)
            .map_err(|lost| RemoteError::Hello(lost.0))?;
        Ok(remote)
    }

    /// What it calls itself.
    pub fn name(&self) -> &str {
        &self.name
    }

    fn tell(&mut self, question: &Question) -> Result<(), Lost> {
        let frame = framed(question).map_err(|error| Lost(error.to_string()))?;
        let out = &mut self.writer.0;
        let told = out.write_all(&frame).and_then(|()| out.flush());
        told.map_err(|error| Lost(format!("it takes no more questions ({})", error.kind())))
    }

    fn ask(&mut self, question: &Question) -> Result<Answer, Lost> {
        self.tell(question)?;
        let frame = self
            .frames
            .recv_timeout(PATIENCE)
            .map_err(|error| match error {
                RecvTimeoutError::Disconnected => Lost("it hung up".to_owned()),
                RecvTimeoutError::Timeout => Lost(format!("no answer in {} s", PATIENCE.as_secs())),
            })?;
        unframed(frame).map_err(|error| Lost(format!("an answer that is none: {error}")))
    }
}

/// Reads frames on a thread of its own, so that a silent controller can be given up. One frame at
/// most waits: the bench asks one question at a time.
fn frames_of(reader: impl Read + Send + 'static) -> Receiver<Vec<u8>> {
    let (sender, frames) = sync_channel(1);
    std::thread::spawn(move || {
        let mut reader = BufReader::new(reader);
        loop {
            let mut frame = Vec::new();
            let read = reader.by_ref().take(FRAME_MOST).read_until(0, &mut frame);
            let is_over = !matches!(read, Ok(bytes) if bytes > 0);
            // Half a frame at the end of the stream is no answer.
            if is_over || frame.last() != Some(&0) || sender.send(frame).is_err() {
                return;
            }
        }
    });
    frames
}

impl Control for Remote {
    fn tick(&mut self, inputs: &Inputs<'_>) -> Result<Outputs, Lost> {
        let question = Question::Tick(Box::new(Wired::of(inputs)));
        let Answer::Tick(said) = self.ask(&question)? else {
            return Err(Lost("a greeting in place of an answer".to_owned()));
        };
        let outputs = said.outputs(self.latched).map_err(Lost)?;
        self.latched = outputs.latched;
        Ok(outputs)
    }

    fn restart(&mut self, stored: FaultSet) -> Result<(), Lost> {
        self.latched = stored;
        self.tell(&Question::PowerUp {
            stored: numbers(stored),
        })
    }
}

impl Drop for Remote {
    fn drop(&mut self) {
        // Whether it hears it or not: it is asked nothing any more.
        let _ = self.tell(&Question::Bye);
        self.writer = Writer(Box::new(std::io::sink()));
        if let Some(mut child) = self.child.take() {
            // A child that does not end by itself with its input gone is ended.
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}
