//! A controller at the other end of a byte stream: a child process on its standard input and
//! output, a program that listens on a TCP port of this machine, or whatever is at the end of a
//! serial line.
//!
//! It is asked once a tick and given a while to answer. One that dies, hangs or talks nonsense is
//! lost, for the rest of the run; the bench then has its outputs off. Only loopback addresses are
//! connected to: the bench drives nothing real and has no business on a network.

use super::protocol::{Answer, Question, VERSION, Wired, framed, numbers, unframed};
use crate::control::{Control, Lost};
use serial2::SerialPort;
use std::io::{BufRead, BufReader, ErrorKind, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::ops::RangeInclusive;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;
use stopwright_core::controller::{Inputs, Outputs};
use stopwright_core::fault::FaultSet;

/// How long an answer may take: the press stands still meanwhile, so this is patience with a slow
/// program and no property of the press.
const PATIENCE: Duration = Duration::from_secs(10);
/// Longest frame that is read; an answer has well under a hundred bytes.
const FRAME_MOST: u64 = 4_096;
/// Baud rate of a serial line that names none, and those that may be named.
const BAUD: u32 = 115_200;
const BAUD_ALLOWED: RangeInclusive<u32> = 1_200..=4_000_000;
/// How long the end of a run may wait for the reader of a serial line.
const LINE_LOOKS: Duration = Duration::from_millis(50);

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
    /// Not a serial line.
    #[error(
        "controller {line:?}: a path is allowed, with or without a baud rate from {least} to {most}, \
         such as serial:/dev/ttyUSB0,115200",
        least = BAUD_ALLOWED.start(),
        most = BAUD_ALLOWED.end()
    )]
    Line {
        /// As it was given.
        line: String,
    },
    /// It does not speak the protocol.
    #[error("controller: {0}")]
    Hello(String),
}

/// The controller.
#[derive(Debug)]
pub struct Remote {
    far: Far,
    writer: Writer,
    frames: Receiver<Vec<u8>>,
    latched: FaultSet,
    name: String,
}

/// What is at the far end, as far as it must be let go of.
#[derive(Debug)]
enum Far {
    Child(Child),
    Socket,
    /// The next run opens the line anew, and nobody may read from it then but that run.
    Line(Arc<AtomicBool>, Option<JoinHandle<()>>),
}

struct Writer(Box<dyn Write>);

impl std::fmt::Debug for Writer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("writer")
    }
}

impl Remote {
    /// Starts the command of this line (words parted by blanks), connects to `tcp:ADDRESS`, or opens
    /// `serial:PATH` or `serial:PATH,BAUD`.
    ///
    /// # Errors
    /// [`RemoteError`].
    pub fn open(place: &str) -> Result<Self, RemoteError> {
        match place.split_once(':') {
            Some(("tcp", address)) => Self::connect(address),
            Some(("serial", line)) => Self::dial(line),
            _ => Self::spawn(place),
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
        Self::begin(Far::Socket, Box::new(stream), frames_of(reader).0)
    }

    fn dial(line: &str) -> Result<Self, RemoteError> {
        let (path, baud) = match line.rsplit_once(',') {
            Some((path, baud)) => (path, baud.parse().ok()),
            None => (line, Some(BAUD)),
        };
        let Some(baud) = baud.filter(|baud| !path.is_empty() && BAUD_ALLOWED.contains(baud)) else {
            return Err(RemoteError::Line {
                line: line.to_owned(),
            });
        };
        let failed = |error| RemoteError::Command {
            command: line.to_owned(),
            error,
        };
        let mut port = SerialPort::open(path, baud).map_err(failed)?;
        port.set_read_timeout(LINE_LOOKS).map_err(failed)?;
        port.set_write_timeout(PATIENCE).map_err(failed)?;
        // What a run that was cut short left on the line: here thrown away, and at the far end closed
        // by an empty frame.
        port.discard_buffers().map_err(failed)?;
        port.write_all(&[0]).map_err(failed)?;
        let is_over = Arc::new(AtomicBool::new(false));
        let reader = Line {
            port: port.try_clone().map_err(failed)?,
            is_over: Arc::clone(&is_over),
        };
        let (frames, listener) = frames_of(reader);
        let far = Far::Line(is_over, Some(listener));
        Self::begin(far, Box::new(port), frames)
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
            (Some(writer), Some(reader)) => {
                Self::begin(Far::Child(child), Box::new(writer), frames_of(reader).0)
            }
            // Asked for just above.
            _ => Err(RemoteError::Hello("no pipe to it".to_owned())),
        }
    }

    fn begin(
        far: Far,
        writer: Box<dyn Write>,
        frames: Receiver<Vec<u8>>,
    ) -> Result<Self, RemoteError> {
        let mut remote = Self {
            far,
            writer: Writer(writer),
            frames,
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

/// A serial line to read from. It waits as a pipe does, until the run is over.
struct Line {
    port: SerialPort,
    is_over: Arc<AtomicBool>,
}

impl Read for Line {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        loop {
            match self.port.read(buffer) {
                Err(error) if error.kind() == ErrorKind::TimedOut => {
                    if self.is_over.load(Ordering::Relaxed) {
                        return Ok(0);
                    }
                }
                read => return read,
            }
        }
    }
}

/// Reads frames on a thread of its own, so that a silent controller can be given up. One frame at
/// most waits: the bench asks one question at a time.
fn frames_of(reader: impl Read + Send + 'static) -> (Receiver<Vec<u8>>, JoinHandle<()>) {
    let (sender, frames) = sync_channel(1);
    let listener = std::thread::spawn(move || listen(BufReader::new(reader), &sender));
    (frames, listener)
}

fn listen(mut reader: impl BufRead, sender: &SyncSender<Vec<u8>>) {
    loop {
        let mut frame = Vec::new();
        let read = reader.by_ref().take(FRAME_MOST).read_until(0, &mut frame);
        let is_over = !matches!(read, Ok(bytes) if bytes > 0);
        // Half a frame at the end of the stream is no answer.
        if is_over || frame.last() != Some(&0) || sender.send(frame).is_err() {
            return;
        }
    }
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
        match &mut self.far {
            Far::Child(child) => {
                // A child that does not end by itself with its input gone is ended.
                let _ = child.kill();
                let _ = child.wait();
            }
            Far::Socket => {}
            Far::Line(is_over, listener) => {
                is_over.store(true, Ordering::Relaxed);
                // With nobody to take its frames, a line that talks on ends its reader too.
                self.frames = sync_channel(0).1;
                let _ = listener.take().map(JoinHandle::join);
            }
        }
    }
}
