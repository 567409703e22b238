//! What the command line does besides the work of the book.

pub mod doctor;
#[cfg(test)]
mod documents;
pub mod environment;
pub mod manual;
pub mod serve;
pub mod sockets;

/// What a command ends with, as `--help` and docs/operation.md tell it.
pub mod status {
    /// The command line or a setting is wrong, and nothing was done; also what clap ends with.
    pub const USAGE: u8 = 2;
    /// A file to be taken in is wrong, and nothing of it was taken in.
    pub const WRONG_FILE: u8 = 3;
    /// Both of them, with the others.
    pub const TOLD: &str = "Status: 0 done, or in order; 1 it failed, or what was looked at is not in order (verify, doctor, health, \
         demo); 2 the command line or a setting is wrong, and nothing was done; 3 a file to be taken in is wrong, and \
         nothing of it was taken in.";
}

/// An error in one line: what happened and why, each said once.
pub fn in_words(error: &anyhow::Error) -> String {
    let mut told = String::new();
    for cause in error.chain() {
        let text = cause.to_string();
        if told.is_empty() {
            told = text;
        } else if !told.contains(&text) {
            told = format!("{told}: {text}");
        }
    }
    told
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, thiserror::Error)]
    #[error("the store failed: {0}")]
    struct StoreFailed(#[source] std::io::Error);

    #[test]
    fn a_cause_is_not_repeated() {
        let error =
            anyhow::Error::new(StoreFailed(std::io::Error::other("gone"))).context("nothing was taken in");
        assert_eq!(in_words(&error), "nothing was taken in: the store failed: gone");
    }
}
