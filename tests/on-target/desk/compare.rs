//! Answers of the desk beside answers of a target, tick by tick and field by field.

use crate::wire::{self, FIELDS, MORE, Reader};
use std::path::Path;

/// Says for each scenario of `folder`'s recording whether `answers` are those of the desk.
pub(crate) fn compare(folder: &Path, answers: &Path) -> Result<(), String> {
    let read = |path: &Path| {
        std::fs::read(path).map_err(|trouble| format!("{}: {trouble}", path.display()))
    };
    let recording = read(&folder.join("recording.bin"))?;
    let (desk, target) = (read(&folder.join("answers.bin"))?, read(answers)?);
    let mut walk = Walk {
        recording: Reader { rest: &recording },
        desk: Reader { rest: &desk },
        target: Reader { rest: &target },
    };
    let verdicts = walk.scenarios().map_err(|_| "the recording is damaged")?;
    for verdict in &verdicts {
        println!("{verdict}");
    }
    if !walk.target.rest.is_empty() {
        return Err("more answers than ticks".to_owned());
    }
    match verdicts.iter().all(|verdict| verdict.is_equal()) {
        true => Ok(()),
        false => Err("desk and target differ".to_owned()),
    }
}

/// What became of one scenario.
struct Verdict {
    name: String,
    ticks: u32,
    /// The first tick that differs, with the names of its fields.
    differs: Option<(u32, Vec<&'static str>)>,
}

impl Verdict {
    fn is_equal(&self) -> bool {
        self.differs.is_none()
    }
}

impl std::fmt::Display for Verdict {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { name, ticks, .. } = self;
        match &self.differs {
            None => write!(f, "equal    {name}, {ticks} ticks"),
            Some((tick, fields)) => {
                write!(f, "DIFFERS  {name}, tick {tick}: {}", fields.join(", "))
            }
        }
    }
}

struct Walk<'a> {
    recording: Reader<'a>,
    desk: Reader<'a>,
    target: Reader<'a>,
}

impl Walk<'_> {
    fn scenarios(&mut self) -> Result<Vec<Verdict>, wire::Malformed> {
        let mut verdicts: Vec<Verdict> = Vec::new();
        while !self.recording.rest.is_empty() {
            match self.recording.byte()? {
                wire::NAME => {
                    let length = self.recording.byte()?;
                    let name = self.recording.take(usize::from(length))?;
                    verdicts.push(Verdict {
                        name: String::from_utf8_lossy(name).into_owned(),
                        ticks: 0,
                        differs: None,
                    });
                }
                wire::BOOT => {
                    self.recording.faults()?;
                    self.recording.block()?;
                }
                wire::TICK => {
                    self.recording.tick()?;
                    let fields = self.differing()?;
                    let verdict = verdicts.last_mut().ok_or(wire::Malformed)?;
                    if !fields.is_empty() && verdict.differs.is_none() {
                        verdict.differs = Some((verdict.ticks, fields));
                    }
                    verdict.ticks += 1;
                }
                _ => return Err(wire::Malformed),
            }
        }
        Ok(verdicts)
    }

    /// Names of the fields that differ in the next tick.
    fn differing(&mut self) -> Result<Vec<&'static str>, wire::Malformed> {
        let names = FIELDS.iter().map(|(name, _)| *name).chain(MORE);
        let mut differing = Vec::new();
        for name in names {
            let desk = self.desk.block()?;
            if self.target.block() != Ok(desk) {
                differing.push(name);
            }
        }
        Ok(differing)
    }
}
