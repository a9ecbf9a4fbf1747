//! Bytes of a recording to lines and cells: the encoding, comment lines, the separator.
//!
//! A sheet knows nothing of presses. It says which cells stand on which line of the file, so that
//! whoever finds one of them wrong can name the place.

use csv::{ReaderBuilder, StringRecord, Trim};

/// Comment lines begin with one of these.
const COMMENT_MARKS: [&str; 4] = ["#", "%", "//", "!"];

/// Separators in the order they are tried. The comma comes last of the marks because it may be a
/// decimal comma; runs of blanks come after all of them.
const SEPARATORS: [Separator; 5] = [
    Separator::Mark(b';'),
    Separator::Mark(b'\t'),
    Separator::Mark(b'|'),
    Separator::Mark(b','),
    Separator::Blanks,
];

/// What stands between two cells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Separator {
    /// One ASCII character.
    Mark(u8),
    /// Any run of spaces and tabs.
    Blanks,
}

impl Separator {
    /// All that are tried, in order.
    pub(super) const fn all() -> [Self; 5] {
        SEPARATORS
    }

    /// Name for a reader of messages.
    pub(super) const fn name(self) -> &'static str {
        match self {
            Self::Mark(b';') => "semicolon",
            Self::Mark(b'\t') => "tab",
            Self::Mark(b'|') => "bar",
            Self::Mark(_) => "comma",
            Self::Blanks => "blanks",
        }
    }

    const fn byte(self) -> u8 {
        match self {
            Self::Mark(mark) => mark,
            Self::Blanks => b'\t',
        }
    }
}

/// One row of cells and the line of the file it stands on (the first line is 1).
#[derive(Debug)]
pub(super) struct Row {
    pub(super) line: u64,
    pub(super) cells: StringRecord,
}

/// The text of a file: comment lines blanked, so that line numbers stay those of the file.
#[derive(Debug)]
pub(super) struct Sheet {
    text: String,
    comments: Vec<(u64, String)>,
}

impl Sheet {
    /// From the bytes of a file: UTF-8 or UTF-16 by their byte-order mark, else UTF-8, else Latin-1.
    pub(super) fn new(bytes: &[u8]) -> Self {
        let mut sheet = Self {
            text: String::with_capacity(bytes.len()),
            comments: Vec::new(),
        };
        for (number, line) in (1..).zip(with_line_feeds(decode(bytes)).lines()) {
            match comment(line) {
                Some(comment) => sheet.comments.push((number, comment.to_owned())),
                None => sheet.text.push_str(line),
            }
            sheet.text.push('\n');
        }
        sheet
    }

    /// Comment lines without their mark, with their numbers.
    pub(super) fn comments(&self) -> impl Iterator<Item = (u64, &str)> {
        self.comments
            .iter()
            .map(|(number, text)| (*number, text.as_str()))
    }

    /// Whether there is nothing but blanks and comments.
    pub(super) fn is_empty(&self) -> bool {
        self.text.trim().is_empty()
    }

    /// Lines that are not blank, with their numbers.
    pub(super) fn lines(&self) -> impl Iterator<Item = (u64, &str)> {
        (1..)
            .zip(self.text.lines())
            .filter(|(_, line)| !line.trim().is_empty())
    }

    /// The first line with a quotation mark that is not closed on it: everything after it would
    /// be swallowed into one cell.
    pub(super) fn first_open_quote(&self) -> Option<u64> {
        self.lines()
            .find(|(_, line)| line.matches('"').count() % 2 == 1)
            .map(|(number, _)| number)
    }

    /// The rows that stand after line `after`.
    pub(super) fn rows(&self, after: u64, separator: Separator) -> Vec<Row> {
        let skip = usize::try_from(after).unwrap_or(usize::MAX);
        let start = self
            .text
            .split_inclusive('\n')
            .take(skip)
            .map(str::len)
            .sum::<usize>();
        let body = self.text.get(start..).unwrap_or_default();
        parse(body, separator)
            .map(|row| Row {
                line: row.line.saturating_add(after),
                cells: row.cells,
            })
            .collect()
    }
}

/// The cells of one line.
pub(super) fn split(line: &str, separator: Separator) -> Vec<String> {
    let row = parse(line, separator).next();
    row.map(|row| row.cells.iter().map(String::from).collect())
        .unwrap_or_default()
}

fn parse(text: &str, separator: Separator) -> impl Iterator<Item = Row> {
    let tabbed = match separator {
        Separator::Mark(_) => text.to_owned(),
        Separator::Blanks => {
            let lines = text
                .lines()
                .map(|line| line.split_whitespace().collect::<Vec<_>>());
            lines.map(|words| words.join("\t") + "\n").collect()
        }
    };
    let starts = starts_of_lines(&tabbed);
    let reader = ReaderBuilder::new()
        .delimiter(separator.byte())
        .has_headers(false)
        .flexible(true)
        .trim(Trim::All)
        .from_reader(std::io::Cursor::new(tabbed));
    // The text is valid UTF-8 in memory and flexible in length: the reader has nothing to refuse.
    reader
        .into_records()
        .map_while(Result::ok)
        .map(move |cells| {
            // The reader's own position is before the blank lines that it skips.
            let before = cells.position().map_or(0, csv::Position::byte);
            let at = starts.partition_point(|&(start, _)| start < before);
            Row {
                line: starts.get(at).map_or(0, |&(_, line)| line),
                cells,
            }
        })
}

/// First byte and number of each line that is not blank.
fn starts_of_lines(text: &str) -> Vec<(u64, u64)> {
    let mut start = 0;
    let mut starts = Vec::new();
    for (line, number) in text.split_inclusive('\n').zip(1..) {
        if !line.trim().is_empty() {
            starts.push((start, number));
        }
        start += line.len() as u64;
    }
    starts
}

/// What stands after the mark of a comment line.
fn comment(line: &str) -> Option<&str> {
    let start = line.trim_start().trim_start_matches('"');
    COMMENT_MARKS
        .iter()
        .find_map(|mark| start.strip_prefix(mark))
}

/// Old files end their lines with a carriage return alone.
fn with_line_feeds(text: String) -> String {
    if text.contains('\n') {
        text
    } else {
        text.replace('\r', "\n")
    }
}

fn decode(bytes: &[u8]) -> String {
    match bytes {
        [0xEF, 0xBB, 0xBF, rest @ ..] => utf_8_or_latin_1(rest),
        [0xFF, 0xFE, rest @ ..] => utf_16(rest, u16::from_le_bytes),
        [0xFE, 0xFF, rest @ ..] => utf_16(rest, u16::from_be_bytes),
        _ => utf_8_or_latin_1(bytes),
    }
}

fn utf_8_or_latin_1(bytes: &[u8]) -> String {
    // Latin-1 is the first 256 code points, so that a degree sign or a micro sign survives.
    std::str::from_utf8(bytes).map_or_else(
        |_| bytes.iter().map(|&byte| char::from(byte)).collect(),
        str::to_owned,
    )
}

fn utf_16(bytes: &[u8], unit: fn([u8; 2]) -> u16) -> String {
    let units: Vec<u16> = bytes
        .as_chunks::<2>()
        .0
        .iter()
        .map(|&pair| unit(pair))
        .collect();
    String::from_utf16_lossy(&units)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_comment_keeps_the_line_numbers_of_the_file() {
        let sheet = Sheet::new(b"# press\na;b\n\n% note\n1;2\n");
        let rows = sheet.rows(2, Separator::Mark(b';'));
        assert_eq!(rows.iter().map(|row| row.line).collect::<Vec<_>>(), [5]);
    }

    #[test]
    fn every_encoding_gives_the_same_degree_sign() {
        let utf_16_le: Vec<u8> = "\u{feff}t;\u{b0}"
            .encode_utf16()
            .flat_map(u16::to_le_bytes)
            .collect();
        for bytes in [
            &b"\xEF\xBB\xBFt;\xC2\xB0"[..],
            b"t;\xC2\xB0",
            b"t;\xB0",
            &utf_16_le,
        ] {
            let sheet = Sheet::new(bytes);
            let (_, line) = sheet.lines().next().expect("one line");
            assert_eq!(split(line, Separator::Mark(b';')), ["t", "\u{b0}"]);
        }
    }

    #[test]
    fn runs_of_blanks_are_one_separator() {
        assert_eq!(
            split("  0.5   12.25\t1 ", Separator::Blanks),
            ["0.5", "12.25", "1"]
        );
    }
}
