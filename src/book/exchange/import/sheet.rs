//! A CSV file read line by line, never the whole.

use std::io::{BufRead as _, BufReader, Chain, Cursor, Read};

use csv::{ByteRecord, ReaderBuilder, Terminator};
use serde_json::{Map, Value};
use sha2::{Digest as _, Sha256};

use crate::{
    book::exchange::import::{
        columns::{Column, Kind},
        faults::Faults,
    },
    domain::{
        exchange::cell,
        form::{self, Field, InputPath},
    },
};

/// Bytes that one line may have; more means a quotation mark that is not closed.
const LONGEST_LINE: u64 = 1024 * 1024;

/// Bytes within which the header must end.
const LONGEST_HEADER: u64 = 64 * 1024;

/// How files begin that are packed (RFC 1952, section 2.3.1; the ZIP file format, section 4.3.7), and what they are.
const PACKED: [(&[u8], &str); 2] =
    [(&[0x1f, 0x8b], "compressed by gzip"), (b"PK\x03\x04", "a ZIP archive, such as a spreadsheet is")];

/// A file whose header was understood.
pub struct Sheet {
    csv: csv::Reader<Chain<Measured, &'static [u8]>>,
    columns: Vec<&'static Column>,
    given: Map<String, Value>,
    record: ByteRecord,
    /// On which line the record before began.
    last_line: u64,
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
        form::read(&self.values, &InputPath::query())
            .map_err(|wrong| wrong.iter().for_each(|fault| faults.of_field(self.number, fault)))
            .ok()
    }

    /// The text in a column, however wrong the rest may be.
    pub fn text(&self, column: &str) -> Option<&str> {
        self.values[column].as_str()
    }
}

impl Sheet {
    /// Reads the header; says what is wrong when the file is of no use. `given` stands for what a line
    /// does not say.
    pub fn open(
        file: impl Read + Send + 'static,
        known: &'static [Column],
        given: &[(&'static str, String)],
    ) -> Result<Self, String> {
        let given: Map<String, Value> = given
            .iter()
            .map(|(column, value)| ((*column).to_owned(), Value::String(value.clone())))
            .collect();
        let mut file = BufReader::new(file);
        let mut head = Vec::new();
        file.by_ref()
            .take(LONGEST_HEADER)
            .read_until(b'\n', &mut head)
            .map_err(|error| format!("the file cannot be read: {error}"))?;
        if head.starts_with(&[0xff, 0xfe]) || head.starts_with(&[0xfe, 0xff]) {
            return Err("the file is UTF-16; save it as CSV in UTF-8".to_owned());
        }
        if let Some((_, what)) = PACKED.iter().find(|(begins, _)| head.starts_with(begins)) {
            return Err(format!("the file is {what}; unpack it, and save it as CSV in UTF-8"));
        }
        if head.windows(2).any(|pair| pair[0] == b'\r' && pair[1] != b'\n') {
            return Err("lines end with a carriage return alone; save the file as CSV in UTF-8".to_owned());
        }
        let start = if head.starts_with(&[0xef, 0xbb, 0xbf]) { 3 } else { 0 };
        let separator = separator(&head[start..]);
        let mut all = Cursor::new(head);
        all.set_position(start as u64);
        let mut csv = ReaderBuilder::new()
            .delimiter(separator)
            .flexible(true)
            .has_headers(false)
            // A carriage return before it is trimmed away; so the reader's count of lines is exact.
            .terminator(Terminator::Any(b'\n'))
            .from_reader(Measured::new(Box::new(all.chain(file))).chain(&b"\n"[..]));
        let mut record = ByteRecord::new();
        csv.read_byte_record(&mut record).map_err(|error| format!("the header cannot be read: {error}"))?;
        let columns = understood(&record, known, &given)?;
        Ok(Self { csv, columns, given, record, last_line: 1 })
    }

    /// The next line that says anything; `None` at the end.
    ///
    /// # Errors
    /// The rest of the file cannot be read.
    pub fn next(&mut self, faults: &mut Faults) -> Result<Option<Line>, String> {
        loop {
            self.csv.get_mut().get_mut().0.since_line = 0;
            match self.csv.read_byte_record(&mut self.record) {
                Ok(false) => {
                    self.closed(faults);
                    return Ok(None);
                }
                Ok(true) if self.record.iter().all(|field| field.trim_ascii().is_empty()) => {}
                Ok(true) => {
                    if let Some(line) = self.line(faults) {
                        return Ok(Some(line));
                    }
                }
                Err(error) => {
                    let line = self.csv.position().line();
                    return Err(format!("the file cannot be read on from line {line}: {error}"));
                }
            }
        }
    }

    /// What tells this file from every other.
    pub fn digest(&self) -> String {
        format!("{:x}", self.measured().digest.clone().finalize())
    }

    fn measured(&self) -> &Measured {
        self.csv.get_ref().get_ref().0
    }

    /// On which line the record begins. The reader's own answer is where it began to look for it, which
    /// may be blank lines before. Of a record that the end of the file cut off within quotation marks it counts
    /// one line less, but no record begins where the one before did.
    fn at(&mut self) -> u64 {
        let within: usize = self.record.iter().flatten().filter(|byte| **byte == b'\n').count();
        let line = self.csv.position().line().saturating_sub(1 + within as u64);
        self.last_line = line.max(self.last_line + 1);
        self.last_line
    }

    fn line(&mut self, faults: &mut Faults) -> Option<Line> {
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
        let mut values = self.given.clone();
        let mut sound = true;
        for (column, field) in self.columns.iter().zip(&self.record) {
            let Ok(field) = std::str::from_utf8(field) else {
                faults.at(number, column.name, "is not UTF-8; save the file as CSV in UTF-8");
                sound = false;
                continue;
            };
            let mut text = cell::unguarded(field.trim()).replace("\r\n", "\n");
            if column.kind == Kind::Decimal {
                text = text.replace(',', ".");
            }
            if !text.is_empty() && column.kind != Kind::Unread {
                values.insert(column.name.to_owned(), Value::String(text));
            }
        }
        sound.then_some(Line { number, values: Value::Object(values) })
    }

    /// In a well-formed file every quotation mark has its fellow (RFC 4180, section 2); one that has not
    /// makes one field of everything after it.
    fn closed(&self, faults: &mut Faults) {
        if !self.measured().quotes.is_multiple_of(2) {
            faults.of_line(
                self.csv.position().line() - 1,
                "a quotation mark is not closed, here or further up",
            );
        }
    }
}

/// Which of `,` and `;` separates the fields: the one that is oftener in the header.
fn separator(head: &[u8]) -> u8 {
    let line = head.split(|byte| matches!(byte, b'\n' | b'\r')).next().unwrap_or_default();
    let count = |separator| line.split(|byte| *byte == separator).count();
    if count(b';') > count(b',') { b';' } else { b',' }
}

/// The columns that a header names, all of them known, each once, none missing.
fn understood(
    header: &ByteRecord,
    known: &'static [Column],
    given: &Map<String, Value>,
) -> Result<Vec<&'static Column>, String> {
    let header: Vec<_> = header.iter().map(|name| String::from_utf8_lossy(name).trim().to_owned()).collect();
    if header.iter().all(String::is_empty) {
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
    let must = known.iter().filter(|column| column.kind == Kind::Must && !given.contains_key(column.name));
    let missing = must.filter(|column| !columns.iter().any(|had| had.name == column.name));
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
    use proptest::prelude::*;

    use super::*;
    use crate::book::exchange::import::columns::{INVENTORY, SERVICES};

    const HEADER: &str = "herd_name,animal_number,served_at,note";

    fn read(text: &[u8]) -> (Vec<(u64, String)>, Vec<String>) {
        let mut sheet = Sheet::open(Cursor::new(text.to_vec()), SERVICES, &[]).unwrap();
        let (mut faults, mut lines) = (Faults::default(), Vec::new());
        while let Some(line) = sheet.next(&mut faults).unwrap() {
            lines.push((line.number, line.text("note").unwrap_or_default().to_owned()));
        }
        (lines, faults.shown().iter().map(ToString::to_string).collect())
    }

    fn refused(text: &str) -> String {
        Sheet::open(Cursor::new(text.to_owned()), SERVICES, &[]).err().unwrap()
    }

    #[test]
    fn a_line_has_the_number_that_an_editor_shows() {
        for end in ["\n", "\r\n"] {
            let text = [HEADER, "L,1,x,a", "", ",,,", "L,2,x,\"b", "c\"", "", "", "L,3,x,d"].join(end);
            let (lines, faults) = read(text.as_bytes());
            let middle = "b\nc".to_owned();
            assert_eq!(lines, [(2, "a".to_owned()), (5, middle), (9, "d".to_owned())]);
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
    fn a_decimal_comma_is_understood_in_numbers_only() {
        let read = |text: &str| {
            let separator = if text.contains(';') { ";" } else { "," };
            let head = ["tank_name", "canister", "semen_type", "straws", "straw_ml", "batch"].join(separator);
            let mut sheet = Sheet::open(Cursor::new(format!("{head}\n{text}\n")), INVENTORY, &[]).unwrap();
            let line = sheet.next(&mut Faults::default()).unwrap().unwrap();
            (line.text("straw_ml").unwrap().to_owned(), line.text("batch").unwrap().to_owned())
        };
        let is = ("0.25".to_owned(), "1,5".to_owned());
        assert_eq!(read("T;1;conventional;3;0,25;1,5"), is);
        assert_eq!(read("T,1,conventional,3,\"0,25\",\"1,5\""), is);
        assert_eq!(read("T;1;conventional;3;0.25;1,5"), is);
    }

    #[test]
    fn what_is_given_stands_where_a_line_says_nothing() {
        let given = [("herd_name", "Lower Meadow".to_owned())];
        let herds = |text: &'static str| {
            let mut sheet = Sheet::open(Cursor::new(text), SERVICES, &given).unwrap();
            let mut herds = Vec::new();
            while let Some(line) = sheet.next(&mut Faults::default()).unwrap() {
                herds.push(line.text("herd_name").unwrap().to_owned());
            }
            herds
        };
        assert_eq!(herds("animal_number,served_at\n1,x\n"), ["Lower Meadow"]);
        assert_eq!(herds("animal_number,served_at,herd_name\n1,x,\n2,x,Upper\n"), ["Lower Meadow", "Upper"]);
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
        let (lines, faults) = read(format!("{HEADER}\n,,,\"=").as_bytes());
        assert_eq!((lines[0].0, faults.len()), (2, 1), "{faults:?}");
        let (_, faults) = read(format!("{HEADER}\nL,1,x,\"a\nL,2,x,b\n").as_bytes());
        assert!(faults[0].contains("a quotation mark is not closed"), "{faults:?}");
        let mut endless = format!("{HEADER}\nL,1,x,\"").into_bytes();
        endless.resize(4 * 1024 * 1024, b'a');
        let mut sheet = Sheet::open(Cursor::new(endless), SERVICES, &[]).unwrap();
        let told = sheet.next(&mut Faults::default()).err().unwrap();
        assert!(told.contains("more than 1048576 bytes"), "{told}");
    }

    /// Whatever is in a file, it is read to its end, each line has its own number, and what was read, written again as an
    /// export writes it, is read as the same.
    #[test]
    fn texts_near_files_are_read_to_their_end() {
        crate::fuzz::against("lines", |rest| {
            let _ = Sheet::open(Cursor::new(rest.to_owned()), SERVICES, &[]).map(drop);
            let file = format!("{HEADER}\n{rest}");
            let last = 1 + file.matches('\n').count() as u64;
            let (lines, _) = read(file.as_bytes());
            prop_assert!(
                lines.iter().zip(lines.iter().skip(1)).all(|((number, _), (next, _))| number < next)
            );
            prop_assert!(lines.iter().all(|(number, _)| (2..=last).contains(number)));
            let mut again = HEADER.to_owned();
            for (_, note) in &lines {
                again.push_str("\nL,1,x,\"");
                again.push_str(&cell::guarded(note).replace('"', "\"\""));
                again.push('"');
            }
            let notes =
                |lines: Vec<(u64, String)>| lines.into_iter().map(|(_, note)| note).collect::<Vec<_>>();
            let (written, faults) = read(again.as_bytes());
            prop_assert!(faults.is_empty(), "{:?}", faults);
            prop_assert_eq!(notes(written), notes(lines));
            Ok(())
        });
    }

    proptest! {
        #[test]
        fn whatever_is_in_a_file_is_read_to_its_end(rest in "[\"',;\r\na=\u{feff}\u{e4}\0]{0,80}") {
            let _ = Sheet::open(Cursor::new(rest.clone()), SERVICES, &[]).map(drop);
            let file = format!("{HEADER}\n{rest}");
            let last = 1 + file.matches('\n').count() as u64;
            let (lines, _) = read(file.as_bytes());
            for ((number, _), (next, _)) in lines.iter().zip(lines.iter().skip(1)) {
                prop_assert!(number < next);
            }
            prop_assert!(lines.iter().all(|(number, _)| (2..=last).contains(number)));
        }
    }

    #[test]
    fn a_header_is_understood_or_refused_with_all_that_is_wrong() {
        let told = refused("herd_name,numbr,served_at,note,note,\nx\n");
        for wrong in [
            "\"numbr\" is not a column",
            "note stands twice",
            "column 6 has no name",
            "animal_number is missing",
        ] {
            assert!(told.contains(wrong), "{told}");
        }
        assert!(refused("").contains("is empty"));
        assert!(refused("\u{feff}").contains("is empty"));
        let utf16 = Sheet::open(Cursor::new(b"\xff\xfeh\0".to_vec()), SERVICES, &[]).err().unwrap();
        assert!(utf16.contains("UTF-16"));
        assert!(refused("herd_name,animal_number\rL,1\r").contains("carriage return alone"));
        assert!(Sheet::open(Cursor::new(" Herd_name , ANIMAL_NUMBER,served_at\n"), SERVICES, &[]).is_ok());
    }
}
