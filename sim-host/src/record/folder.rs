//! The folder a record is written to.
//!
//! | file | for |
//! | --- | --- |
//! | `record.html` | people: opens offline, prints |
//! | `record.json` | programs |
//! | `settings.toml` | the controller, where settings came out of the work |
//! | `stops.csv` | spreadsheets |
//! | `traces/stop-NNN.csv` | a second study |
//! | `SHA256SUMS` | `sha256sum -c`; also the list of what this program wrote |
//!
//! The record names the digests of the files beside it, the page names the digest of
//! `record.json`, so that a signature on the printed page reaches down to each sample.
//!
//! Nothing is overwritten unasked. An existing folder that is not empty is refused; when asked to
//! replace, only files that stand in `SHA256SUMS` and still have the bytes written there go away.
//! Everything is first written in full beside its place and then moved there.

use super::consistency;
use super::csv::{self, CsvError, Trace};
use super::html;
use super::json::{self, JsonError};
use super::model::{FileDigest, Record};
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use thiserror::Error;

const MANIFEST: &str = "SHA256SUMS";
const PAGE: &str = "record.html";
const DATA: &str = "record.json";
const SETTINGS: &str = "settings.toml";
const STOPS: &str = "stops.csv";
const TRACES: &str = "traces";

/// What to do with a folder that is not empty.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum IfNotEmpty {
    /// Leave it alone and say so.
    #[default]
    Refuse,
    /// Replace what this program wrote there, and nothing else.
    Replace,
}

/// What goes into the folder.
#[derive(Clone, Copy, Debug)]
pub struct Contents<'a> {
    /// The record; its list of files is filled here.
    pub record: &'a Record,
    /// Settings as TOML, where the work led to settings.
    pub settings: Option<&'a str>,
    /// Traces of stops.
    pub traces: &'a [Trace],
}

/// Where the record now is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// The page for people.
    pub page: PathBuf,
    /// The same for programs.
    pub data: PathBuf,
    /// Number of files, `SHA256SUMS` included.
    pub files: usize,
}

/// Why a folder was not written. Each names its path.
#[derive(Debug, Error)]
pub enum FolderError {
    /// Something that is not a folder has the name.
    #[error("{} exists and is not a folder: give another --out", .0.display())]
    NotAFolder(PathBuf),
    /// The folder holds something, and nobody asked to replace it.
    #[error("{} exists and is not empty: give another --out, or --replace to replace an earlier record in it", .0.display())]
    NotEmpty(PathBuf),
    /// A file this program did not write has a name it needs.
    #[error("{} was not written by this program: move it away, or give another --out", .0.display())]
    Foreign(PathBuf),
    /// A file this program wrote was changed afterwards.
    #[error("{} was changed after it was written: move it away, or give another --out", .0.display())]
    Changed(PathBuf),
    /// The list of an earlier record cannot be trusted.
    #[error("{}, line {line}: not a digest and the name of a file of a record: give another --out", path.display())]
    Manifest {
        /// The list.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
    },
    /// The record says two things that cannot both be true.
    #[error("the record contradicts itself, and was not written: {}", .0.join("; "))]
    Contradiction(Vec<String>),
    /// Two traces bear one number.
    #[error("two traces of stop {0}: the record would hold only one of them")]
    TraceTwice(u32),
    /// The system refused.
    #[error("could not {what} {}: {source}", path.display())]
    Io {
        /// What was tried.
        what: &'static str,
        /// On which path.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The record cannot be written as JSON.
    #[error(transparent)]
    Json(#[from] JsonError),
    /// A table cannot be written.
    #[error(transparent)]
    Csv(#[from] CsvError),
}

/// Would [`write()`] accept this folder? To be asked before long work begins.
pub fn check(folder: &Path, if_not_empty: IfNotEmpty) -> Result<(), FolderError> {
    if !exists(folder) {
        return Ok(());
    }
    if !folder.is_dir() {
        return Err(FolderError::NotAFolder(folder.to_owned()));
    }
    let is_empty = fs::read_dir(folder)
        .map_err(failed("read", folder))?
        .next()
        .is_none();
    match if_not_empty {
        _ if is_empty => Ok(()),
        IfNotEmpty::Refuse => Err(FolderError::NotEmpty(folder.to_owned())),
        IfNotEmpty::Replace => earlier_files(folder).map(drop),
    }
}

/// Writes the whole folder, or leaves it as it was.
pub fn write(
    folder: &Path,
    contents: &Contents,
    if_not_empty: IfNotEmpty,
) -> Result<Written, FolderError> {
    check(folder, if_not_empty)?;
    let contradictions = consistency::contradictions(contents.record);
    if !contradictions.is_empty() {
        return Err(FolderError::Contradiction(contradictions));
    }
    let files = files(contents)?;
    fs::create_dir_all(folder).map_err(failed("create", folder))?;
    let earlier = earlier_files(folder)?;
    refuse_foreign(folder, &files, &earlier)?;
    // Inside the folder, so that each move stays on one file system and is a single step.
    let stage = tempfile::Builder::new()
        .prefix(".stopwright-")
        .tempdir_in(folder)
        .map_err(failed("create a folder in", folder))?;
    for (name, text) in &files {
        write_file(&stage.path().join(name), text)?;
    }
    replace(folder, stage.path(), &files, &earlier)?;
    let path = |name| folder.join(name);
    Ok(Written {
        page: path(PAGE),
        data: path(DATA),
        files: files.len(),
    })
}

/// Name and text of every file, `SHA256SUMS` first: should the power fail between two moves, a
/// list with missing files can be replaced, files without a list cannot.
fn files(contents: &Contents) -> Result<Vec<(String, String)>, FolderError> {
    let mut evidence = Vec::new();
    if let Some(settings) = contents.settings {
        evidence.push((SETTINGS.to_owned(), settings.to_owned()));
    }
    evidence.push((STOPS.to_owned(), csv::stops(contents.record)?));
    let traces = traces(contents.traces)?;

    let mut record = contents.record.clone();
    record.files = evidence
        .iter()
        .map(|(name, text)| file_digest(name, text))
        .collect();
    if !traces.is_empty() {
        record.files.push(file_digest(TRACES, &manifest(&traces)));
    }
    let data = json::write(&record)?;
    let page = html::page(&record, &sha256(data.as_bytes()));

    let mut files = vec![(PAGE.to_owned(), page), (DATA.to_owned(), data)];
    files.append(&mut evidence);
    files.extend(traces);
    files.insert(0, (MANIFEST.to_owned(), manifest(&files)));
    Ok(files)
}

fn traces(traces: &[Trace]) -> Result<Vec<(String, String)>, FolderError> {
    let mut seen = BTreeSet::new();
    traces
        .iter()
        .map(|trace| {
            if !seen.insert(trace.stop) {
                return Err(FolderError::TraceTwice(trace.stop));
            }
            Ok((trace.file(), csv::trace(trace)?))
        })
        .collect()
}

fn file_digest(name: &str, text: &str) -> FileDigest {
    FileDigest {
        file: name.to_owned(),
        sha256: sha256(text.as_bytes()),
    }
}

fn manifest(files: &[(String, String)]) -> String {
    files
        .iter()
        .map(|(name, text)| format!("{}  {name}\n", sha256(text.as_bytes())))
        .collect()
}

/// SHA-256 as 64 hexadecimal digits.
pub fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes)
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

/// Names of the files an earlier run left here, each still as it was written.
fn earlier_files(folder: &Path) -> Result<Vec<String>, FolderError> {
    let path = folder.join(MANIFEST);
    if !exists(&path) {
        return Ok(Vec::new());
    }
    let text = fs::read_to_string(&path).map_err(failed("read", &path))?;
    let mut names = Vec::new();
    for (index, line) in text.lines().enumerate() {
        let (digest, name) = parse_line(line).ok_or_else(|| FolderError::Manifest {
            path: path.clone(),
            line: index + 1,
        })?;
        let file = folder.join(name);
        if !exists(&file) {
            continue;
        }
        let bytes = fs::read(&file).map_err(failed("read", &file))?;
        if sha256(&bytes) != digest {
            return Err(FolderError::Changed(file));
        }
        names.push(name.to_owned());
    }
    names.push(MANIFEST.to_owned());
    Ok(names)
}

/// Only names this program gives: a list that leads elsewhere must not make it delete there.
fn parse_line(line: &str) -> Option<(&str, &str)> {
    let (digest, name) = line.split_once("  ")?;
    let is_trace = name
        .strip_prefix("traces/stop-")
        .and_then(|rest| rest.strip_suffix(".csv"))
        .is_some_and(|number| number.len() >= 3 && number.bytes().all(|b| b.is_ascii_digit()));
    (is_trace || [PAGE, DATA, SETTINGS, STOPS].contains(&name)).then_some((digest, name))
}

fn refuse_foreign(
    folder: &Path,
    files: &[(String, String)],
    earlier: &[String],
) -> Result<(), FolderError> {
    let traces = folder.join(TRACES);
    let is_folder = fs::symlink_metadata(&traces).is_ok_and(|metadata| metadata.is_dir());
    if exists(&traces) && !is_folder {
        return Err(FolderError::Foreign(traces));
    }
    let foreign = files
        .iter()
        .map(|(name, _)| (name, folder.join(name)))
        .find(|(name, path)| exists(path) && !earlier.contains(name));
    foreign.map_or(Ok(()), |(_, path)| Err(FolderError::Foreign(path)))
}

fn replace(
    folder: &Path,
    stage: &Path,
    files: &[(String, String)],
    earlier: &[String],
) -> Result<(), FolderError> {
    for name in earlier {
        let path = folder.join(name);
        fs::remove_file(&path).map_err(failed("remove", &path))?;
    }
    for (name, _) in files {
        let path = folder.join(name);
        make_parent(&path)?;
        fs::rename(stage.join(name), &path).map_err(failed("move a file to", &path))?;
    }
    // Fails when something else lives there, and then it has to stay.
    let _ = fs::remove_dir(folder.join(TRACES));
    Ok(())
}

fn write_file(path: &Path, text: &str) -> Result<(), FolderError> {
    make_parent(path)?;
    fs::write(path, text).map_err(failed("write", path))
}

fn make_parent(path: &Path) -> Result<(), FolderError> {
    let parent = path.parent().unwrap_or(path);
    fs::create_dir_all(parent).map_err(failed("create", parent))
}

/// Also true for a link that leads nowhere.
fn exists(path: &Path) -> bool {
    fs::symlink_metadata(path).is_ok()
}

fn failed(what: &'static str, path: &Path) -> impl FnOnce(io::Error) -> FolderError {
    let path = path.to_owned();
    move |source| FolderError::Io { what, path, source }
}
