//! Calendars as RFC 5545 has them: lines of at most 75 octets, folded; text escaped; whole days as dates.

use chrono::Datelike as _;

use crate::domain::values::{Day, Timestamp};

/// Octets of a line, without its end (RFC 5545, section 3.1).
const LINE: usize = 75;

/// An event of whole days.
#[derive(Clone, Debug)]
pub struct Event {
    /// The same each time the calendar is read, and of no other event.
    pub uid: String,
    /// When this was said.
    pub said_at: Timestamp,
    /// The first day.
    pub from: Day,
    /// The last day.
    pub to: Day,
    /// One line.
    pub summary: String,
    /// More of it.
    pub description: String,
    /// A word by which programs sort.
    pub category: &'static str,
}

/// The calendar of that name with these events.
pub fn calendar(name: &str, events: &[Event]) -> String {
    let mut ics = Ics::default();
    ics.line("BEGIN", "VCALENDAR");
    ics.line("VERSION", "2.0");
    ics.line("PRODID", "-//Tankside//Watch//EN");
    ics.line("CALSCALE", "GREGORIAN");
    // RFC 7986, sections 5.1 and 5.7.
    ics.line("NAME", &escaped(name));
    ics.line("REFRESH-INTERVAL;VALUE=DURATION", "PT6H");
    if events.is_empty() {
        // A calendar has at least one component (section 3.4); this one shows nothing.
        for (name, value) in [
            ("BEGIN", "VTIMEZONE"),
            ("TZID", "UTC"),
            ("BEGIN", "STANDARD"),
            ("DTSTART", "19700101T000000"),
            ("TZOFFSETFROM", "+0000"),
            ("TZOFFSETTO", "+0000"),
            ("END", "STANDARD"),
            ("END", "VTIMEZONE"),
        ] {
            ics.line(name, value);
        }
    }
    for event in events {
        ics.line("BEGIN", "VEVENT");
        ics.line("UID", &escaped(&event.uid));
        ics.line("DTSTAMP", &event.said_at.utc().format("%Y%m%dT%H%M%SZ").to_string());
        ics.line("DTSTART;VALUE=DATE", &date(event.from));
        // The day after the last one (section 3.6.1).
        ics.line("DTEND;VALUE=DATE", &date(event.to.plus_days(1)));
        ics.line("SUMMARY", &escaped(&event.summary));
        ics.line("DESCRIPTION", &escaped(&event.description));
        ics.line("CATEGORIES", &escaped(event.category));
        // A day to look at an animal keeps nobody busy.
        ics.line("TRANSP", "TRANSPARENT");
        ics.line("END", "VEVENT");
    }
    ics.line("END", "VCALENDAR");
    ics.0
}

fn date(day: Day) -> String {
    format!("{:04}{:02}{:02}", day.0.year(), day.0.month(), day.0.day())
}

/// A text value (section 3.3.11).
fn escaped(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\\' | ';' | ',' => escaped.extend(['\\', c]),
            '\n' => escaped.push_str("\\n"),
            // Other control characters may not stand in a text.
            c if c.is_control() && c != '\t' => {}
            c => escaped.push(c),
        }
    }
    escaped
}

#[derive(Default)]
struct Ics(String);

impl Ics {
    /// A content line, folded between characters (section 3.1).
    fn line(&mut self, name: &str, value: &str) {
        let mut octets = 0;
        for c in name.chars().chain([':']).chain(value.chars()) {
            if octets + c.len_utf8() > LINE {
                self.0.push_str("\r\n ");
                octets = 1;
            }
            self.0.push(c);
            octets += c.len_utf8();
        }
        self.0.push_str("\r\n");
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn day(text: &str) -> Day {
        Day(text.parse().unwrap())
    }

    fn event(summary: &str) -> Event {
        Event {
            uid: "calving-1@tankside".to_owned(),
            said_at: Timestamp::from(chrono::DateTime::UNIX_EPOCH),
            from: day("2028-02-28"),
            to: day("2028-02-29"),
            summary: summary.to_owned(),
            description: "Why".to_owned(),
            category: "calving",
        }
    }

    /// Lines unfolded as section 3.1 says: a line break followed by a space or a tab goes.
    fn unfolded(ics: &str) -> Vec<String> {
        ics.replace("\r\n ", "").split_terminator("\r\n").map(str::to_owned).collect()
    }

    /// A text value read as section 3.3.11 says.
    fn read(value: &str) -> String {
        let mut text = String::new();
        let mut chars = value.chars();
        while let Some(c) = chars.next() {
            match (c, c == '\\') {
                (_, true) => match chars.next().unwrap() {
                    'n' | 'N' => text.push('\n'),
                    c => text.push(c),
                },
                (c, false) => text.push(c),
            }
        }
        text
    }

    proptest! {
        #[test]
        fn what_is_folded_and_escaped_is_read_again(summary in "[a-zé牛𝔘;,:\\\\\n \"]{0,300}") {
            let ics = calendar("Watch", &[event(&summary)]);
            for line in ics.split("\r\n") {
                prop_assert!(line.len() <= 75, "{} octets", line.len());
                prop_assert!(!line.contains(['\r', '\n']));
            }
            let lines = unfolded(&ics);
            let value = lines.iter().find_map(|line| line.strip_prefix("SUMMARY:")).unwrap();
            prop_assert_eq!(read(value), summary);
        }
    }

    #[test]
    fn an_event_of_whole_days_ends_on_the_day_after() {
        // RFC 5545, section 3.6.1: the end is not part of the event; 2028 has a 29 February.
        let ics = calendar("A; B", &[event("Calving")]);
        for line in ["NAME:A\\; B", "DTSTART;VALUE=DATE:20280228", "DTEND;VALUE=DATE:20280301"] {
            assert!(ics.contains(&format!("\r\n{line}\r\n")), "{line} is not in {ics}");
        }
        assert!(calendar("None", &[]).contains("BEGIN:VTIMEZONE"), "at least one component: section 3.4");
    }
}
