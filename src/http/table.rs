//! Tables as comma-separated values (RFC 4180).

use csv::{Terminator, WriterBuilder};

use crate::domain::exchange::cell;

/// The media type of a table.
pub const CSV: &str = "text/csv; charset=utf-8; header=present";

/// Lines of a table, with their columns above them where they are the first.
pub fn table(columns: Option<&[&str]>, lines: impl IntoIterator<Item = Vec<String>>) -> Vec<u8> {
    let mut writer = WriterBuilder::new().terminator(Terminator::CRLF).from_writer(Vec::new());
    // Writing to memory does not fail.
    if let Some(columns) = columns {
        let _ = writer.write_record(columns);
    }
    for line in lines {
        let _ = writer.write_record(line.iter().map(|text| cell::guarded(text)));
    }
    writer.into_inner().unwrap_or_default()
}
