//! A length of time as an operator gives it: `15m`, `6h`, `1d`.

use std::{fmt, str::FromStr, time::Duration};

use serde::Deserialize;

/// From one time to the next; a second at least.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub struct Every(Duration);

const WRONG: &str = "give a whole number and a unit, such as 15m, 6h or 1d (s, m, h or d; a year at most)";

/// Units with their seconds, the longest first.
const UNITS: [(char, u64); 4] = [('d', 86_400), ('h', 3600), ('m', 60), ('s', 1)];

const LONGEST_S: u64 = 366 * 86_400;

impl Every {
    /// The length.
    pub fn duration(self) -> Duration {
        self.0
    }
}

impl From<Duration> for Every {
    fn from(duration: Duration) -> Self {
        Self(duration)
    }
}

impl FromStr for Every {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let read = || {
            let (unit, seconds) = UNITS.into_iter().find(|(unit, _)| text.ends_with(*unit))?;
            let number = text.strip_suffix(unit)?;
            let is_plain = number.bytes().all(|digit| digit.is_ascii_digit());
            let length = number.parse::<u64>().ok().filter(|_| is_plain)?.checked_mul(seconds)?;
            (1..=LONGEST_S).contains(&length).then(|| Self(Duration::from_secs(length)))
        };
        read().ok_or_else(|| WRONG.to_owned())
    }
}

impl TryFrom<String> for Every {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        text.parse()
    }
}

impl fmt::Display for Every {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let seconds = self.0.as_secs();
        let (unit, of) = UNITS.into_iter().find(|(_, of)| seconds.is_multiple_of(*of)).unwrap_or(('s', 1));
        write!(f, "{}{unit}", seconds / of)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_and_a_unit_are_read_and_told_again() {
        for (text, seconds, told) in [
            ("1s", 1, "1s"),
            ("15m", 900, "15m"),
            ("6h", 21_600, "6h"),
            ("1d", 86_400, "1d"),
            ("48h", 172_800, "2d"),
        ] {
            let every: Every = text.parse().unwrap();
            assert_eq!((every.duration().as_secs(), every.to_string().as_str()), (seconds, told));
        }
        for wrong in
            ["", "15", "m", "0m", "-1h", "+1h", "1.5h", "1 h", "1w", "367d", "99999999999999999999d", "1é"]
        {
            assert!(wrong.parse::<Every>().is_err(), "{wrong}");
        }
    }
}
