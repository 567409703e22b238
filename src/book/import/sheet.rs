//! A CSV file read line by line, never the whole.

use std::io::{BufRead as _, BufReader, Cursor, Read};

use csv::{ReaderBuilder, StringRecord, Trim};
use serde_json::{Map, Value};
use sha2::{Digest as _, Sha256};

use super::{columns::Column, faults::Faults};
use crate::domain::{
    cell,
    form::{self, Field, Spot},
};

/// Bytes that one line may have; more means a quotation mark that is not closed.
const LONGEST_LINE: u64 = 1024 * 1024;

/// Bytes within which the header must end.
const LONGEST_HEADER: u64 = 64 * 1024;

/// A file whose header was understood.
pub struct Sheet {
    csv: csv::Reader<Measured>,
    columns: Vec<&'static Column>,
    decimal_comma: bool,
    record: StringRecord,
}

/// A line of values, each under the name of its column.
pub struct Line {
    /// Its number in the file.
    pub number: u64,
    values: Value,
}

impl Line {
    /// Reads the line; every value that is not right becomes a fault.
    pub fn read<T: Field>(&self, faults: &mut Faults) -> Option<T> {
        form::read(&self.values, &Spot::query())
            .map_err(|wrong| wrong.iter().for_each(|fault| faults.of_field(self.number, fault)))
            .ok()
    }

    /// The text in a column, however wrong the rest may be.
    pub fn text(&self, column: &str) -> Option<&str> {
        self.values[column].as_str()
    }
}

impl Sheet {
    /// Reads the header; says what is wrong when the file is of no use.
    pub fn open(file: impl Read + Send + 'static, known: &'static [Column]) -> Result<Self, String> {
        let mut file = BufReader::new(file);
        let mut head = Vec::new();
        file.by_ref()
            .take(LONGEST_HEADER)
            .read_until(b'\n', &mut head)
            .map_err(|error| format!("the file cannot be read: {error}"))?;
        if head.starts_with(&[0xff, 0xfe]) || head.starts_with(&[0xfe, 0xff]) {
            return Err("the file is UTF-16; save it as CSV in UTF-8".to_owned());
        }
        let start = if head.starts_with(&[0xef, 0xbb, 0xbf]) { 3 } else { 0 };
        let separator = separator(&head[start..]);
        let mut all = Cursor::new(head);
        all.set_position(start as u64);
        let mut csv = ReaderBuilder::new()
            .delimiter(separator)
            .flexible(true)
            .trim(Trim::All)
            .from_reader(Measured::new(Box::new(all.chain(file))));
        let header = csv.headers().map_err(|error| format!("the header cannot be read: {error}"))?;
        let columns = understood(header, known)?;
        Ok(Self { csv, columns, decimal_comma: separator == b';', record: StringRecord::new() })
    }

    /// The next line that says anything; `None` at the end.
    ///
    /// # Errors
    /// The rest of the file cannot be read.
    pub fn next(&mut self, faults: &mut Faults) -> Result<Option<Line>, String> {
        loop {
            self.csv.get_mut().since_line = 0;
            match self.csv.read_record(&mut self.record) {
                Ok(false) => {
                    self.closed(faults);
                    return Ok(None);
                }
                Ok(true) if self.record.iter().all(str::is_empty) => {}
                Ok(true) => {
                    if let Some(line) = self.line(faults) {
                        return Ok(Some(line));
                    }
                }
                Err(error) => match error.kind() {
                    csv::ErrorKind::Utf8 { pos, err } => {
                        let line = pos.as_ref().map_or(0, csv::Position::line);
                        let column = self.columns.get(err.field()).map_or("", |column| column.name);
                        faults.at(line, column, "is not UTF-8; save the file as CSV in UTF-8");
                    }
                    _ => return Err(format!("the file cannot be read on after line {}: {error}", self.at())),
                },
            }
        }
    }

    /// What tells this file from every other.
    pub fn digest(&self) -> String {
        format!("{:x}", self.csv.get_ref().digest.clone().finalize())
    }

    fn at(&self) -> u64 {
        self.record.position().map_or(1, csv::Position::line)
    }

    fn line(&self, faults: &mut Faults) -> Option<Line> {
        let number = self.at();
        if self.record.len() != self.columns.len() {
            let told = format!(
                "has {} fields where the header has {}; a field with a separator, a quotation mark or a line \
                 break in it stands in quotation marks",
                self.record.len(),
                self.columns.len()
            );
            faults.of_line(number, told);
            return None;
        }
        let mut values = Map::new();
        for (column, field) in self.columns.iter().zip(&self.record) {
            let mut text = cell::unguarded(field).to_owned();
            if column.decimal && self.decimal_comma {
                text = text.replace(',', ".");
            }
            if !text.is_empty() {
                values.insert(column.name.to_owned(), Value::String(text));
            }
        }
        Some(Line { number, values: Value::Object(values) })
    }

    /// In a well-formed file every quotation mark has its fellow (RFC 4180, section 2); one that has not
    /// makes one field of everything after it.
    fn closed(&self, faults: &mut Faults) {
        if !self.csv.get_ref().quotes.is_multiple_of(2) {
            faults.of_line(self.at(), "a quotation mark is not closed, here or further up");
        }
    }
}

/// Which of `,` and `;` separates the fields: the one that is oftener in the header.
fn separator(head: &[u8]) -> u8 {
    let line = head.split(|byte| matches!(byte, b'\n' | b'\r')).next().unwrap_or_default();
    let count = |separator| line.iter().filter(|byte| **byte == separator).count();
    if count(b';') > count(b',') { b';' } else { b',' }
}

/// The columns that a header names, all of them known, each once, none missing.
fn understood(header: &StringRecord, known: &'static [Column]) -> Result<Vec<&'static Column>, String> {
    if header.iter().all(str::is_empty) {
        return Err("the file is empty; its first line must name the columns, `tankside import template` \
                    prints them"
            .to_owned());
    }
    let mut wrong = Vec::new();
    let mut columns: Vec<&'static Column> = Vec::new();
    for (n, name) in header.iter().enumerate() {
        match known.iter().find(|column| column.name.eq_ignore_ascii_case(name)) {
            None if name.is_empty() => wrong.push(format!("column {} has no name", n + 1)),
            None => wrong.push(format!("{name:?} is not a column here")),
            Some(column) if columns.iter().any(|had| had.name == column.name) => {
                wrong.push(format!("{name} stands twice"));
            }
            Some(column) => columns.push(column),
        }
    }
    let missing = known.iter().filter(|c| c.required && !columns.iter().any(|had| had.name == c.name));
    wrong.extend(missing.map(|column| format!("{} is missing", column.name)));
    if wrong.is_empty() {
        return Ok(columns);
    }
    let names: Vec<_> = known.iter().map(|column| column.name).collect();
    Err(format!("line 1, the header: {}; the columns are {}", wrong.join("; "), names.join(", ")))
}

/// The bytes of a file as they are read: their digest, their quotation marks, and how many since the last line.
struct Measured {
    inner: Box<dyn Read + Send>,
    digest: Sha256,
    quotes: u64,
    since_line: u64,
}

impl Measured {
    fn new(inner: Box<dyn Read + Send>) -> Self {
        Self { inner, digest: Sha256::new(), quotes: 0, since_line: 0 }
    }
}

impl Read for Measured {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        if self.since_line > LONGEST_LINE {
            return Err(std::io::Error::other(format!(
                "a line of more than {LONGEST_LINE} bytes; look for a quotation mark that is not closed"
            )));
        }
        let read = self.inner.read(into)?;
        let bytes = &into[..read];
        self.digest.update(bytes);
        self.quotes += bytes.iter().map(|byte| u64::from(*byte == b'"')).sum::<u64>();
        self.since_line += read as u64;
        Ok(read)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::book::import::columns::{INVENTORY, SERVICES};

    const HEADER: &str = "herd,number,served_at,note";

    fn read(text: &[u8]) -> (Vec<(u64, String)>, Vec<String>) {
        let mut sheet = Sheet::open(Cursor::new(text.to_vec()), SERVICES).unwrap();
        let (mut faults, mut lines) = (Faults::default(), Vec::new());
        while let Some(line) = sheet.next(&mut faults).unwrap() {
            lines.push((line.number, line.text("note").unwrap_or_default().to_owned()));
        }
        (lines, faults.shown().iter().map(ToString::to_string).collect())
    }

    fn refused(text: &str) -> String {
        Sheet::open(Cursor::new(text.to_owned()), SERVICES).err().unwrap()
    }

    #[test]
    fn a_line_has_the_number_that_an_editor_shows() {
        for end in ["\n", "\r\n"] {
            let text = [HEADER, "L,1,x,a", "", ",,,", "L,2,x,\"b", "c\"", "L,3,x,d", ""].join(end);
            let (lines, faults) = read(text.as_bytes());
            let middle = format!("b{end}c");
            assert_eq!(lines, [(2, "a".to_owned()), (5, middle), (7, "d".to_owned())]);
            assert!(faults.is_empty());
        }
    }

    #[test]
    fn quotes_separators_and_a_byte_order_mark_are_read_as_the_standard_says() {
        // RFC 4180, section 2, rules 5 to 7.
        let text = format!("\u{feff}{HEADER}\nL,1,x,\"a, \"\"b\"\"\"\n");
        assert_eq!(read(text.as_bytes()).0, [(2, "a, \"b\"".to_owned())]);
        let text = format!("{}\nL;1;x;\"a; b, c\"\n", HEADER.replace(',', ";"));
        assert_eq!(read(text.as_bytes()).0, [(2, "a; b, c".to_owned())]);
    }

    #[test]
    fn a_decimal_comma_is_understood_where_semicolons_separate() {
        let read = |text: &str| {
            let head = "tank;canister;semen_type;straws;straw_ml;batch";
            let mut sheet = Sheet::open(Cursor::new(format!("{head}\n{text}\n")), INVENTORY).unwrap();
            let line = sheet.next(&mut Faults::default()).unwrap().unwrap();
            (line.text("straw_ml").unwrap().to_owned(), line.text("batch").unwrap().to_owned())
        };
        assert_eq!(read("T;1;conventional;3;0,25;1,5"), ("0.25".to_owned(), "1,5".to_owned()));
    }

    #[test]
    fn a_line_that_cannot_be_read_is_named_and_the_next_is_read() {
        let mut text = format!("{HEADER}\nL,1,x\nL,2,x,").into_bytes();
        text.extend_from_slice(b"B\xe4uerin\nL,3,x,d\n");
        let (lines, faults) = read(&text);
        assert_eq!(lines, [(4, "d".to_owned())]);
        assert!(faults[0].starts_with("line 2: has 3 fields where the header has 4"), "{faults:?}");
        assert!(faults[1].starts_with("line 3, note: is not UTF-8"), "{faults:?}");
    }

    #[test]
    fn a_quotation_mark_that_is_not_closed_swallows_nothing_unseen() {
        let (_, faults) = read(format!("{HEADER}\nL,1,x,\"a\nL,2,x,b\n").as_bytes());
        assert!(faults[0].contains("a quotation mark is not closed"), "{faults:?}");
        let mut endless = format!("{HEADER}\nL,1,x,\"").into_bytes();
        endless.resize(4 * 1024 * 1024, b'a');
        let mut sheet = Sheet::open(Cursor::new(endless), SERVICES).unwrap();
        let told = sheet.next(&mut Faults::default()).err().unwrap();
        assert!(told.contains("more than 1048576 bytes"), "{told}");
    }

    #[test]
    fn a_header_is_understood_or_refused_with_all_that_is_wrong() {
        let told = refused("herd,numbr,served_at,note,note,\nx\n");
        for wrong in
            ["\"numbr\" is not a column", "note stands twice", "column 6 has no name", "number is missing"]
        {
            assert!(told.contains(wrong), "{told}");
        }
        assert!(refused("").contains("is empty"));
        assert!(refused("\u{feff}").contains("is empty"));
        let utf16 = Sheet::open(Cursor::new(b"\xff\xfeh\0".to_vec()), SERVICES).err().unwrap();
        assert!(utf16.contains("UTF-16"));
        assert!(Sheet::open(Cursor::new(" Herd , NUMBER,served_at\n"), SERVICES).is_ok());
    }
}
