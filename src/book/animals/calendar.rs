//! Calendars of what to watch: made, and taken away.
//!
//! A calendar program can send no header, so a token stands in the address. It opens this calendar and nothing else, is
//! shown once, kept only as a hash, and good until the calendar is taken away.

use base64::{Engine as _, prelude::BASE64_URL_SAFE_NO_PAD};
use sha2::{Digest as _, Sha256};

use crate::{
    book::{
        CommandError,
        command::{Command, CommandContext},
    },
    domain::{
        animals::calendar::{Calendar, CalendarDetails},
        rejection::Rejection,
        values::CalendarId,
    },
    store,
};

/// How a token begins, so that people and scanners for leaked secrets know it.
const PREFIX: &str = "tkc_";

/// Random bytes of a token.
const RANDOM: usize = 32;

/// A new token from the system's random numbers.
///
/// # Errors
/// The system has none to give.
pub fn new_token() -> Result<String, getrandom::Error> {
    let mut bytes = [0_u8; RANDOM];
    getrandom::fill(&mut bytes)?;
    Ok(format!("{PREFIX}{}", BASE64_URL_SAFE_NO_PAD.encode(bytes)))
}

/// The hash by which a calendar is found, or `None` for what cannot be a token.
pub fn hash(token: &str) -> Option<String> {
    let bytes = BASE64_URL_SAFE_NO_PAD.decode(token.strip_prefix(PREFIX)?).ok()?;
    (bytes.len() == RANDOM).then(|| format!("{:x}", Sha256::digest(token)))
}

/// A calendar is made.
#[derive(Clone, Debug)]
pub struct AddCalendar {
    /// What it shows.
    pub details: CalendarDetails,
    /// The hash of its token.
    pub hash: String,
}

impl Command for AddCalendar {
    type Done = Calendar;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Calendar, CommandError> {
        let business = cx.business();
        if let Some(id) = self.details.herd_id
            && store::animals::herd::find(cx.tx, business, id).await?.is_none()
        {
            let pointer = Some("#/herd_id".to_owned());
            return Err(Rejection::Unknown { what: "herd", id: id.0, pointer }.into());
        }
        let calendar = Calendar { id: CalendarId::new(), details: self.details.clone(), created_at: cx.now };
        store::animals::calendar::add(cx.tx, business, &calendar, &self.hash).await?;
        Ok(calendar)
    }
}

/// A calendar is taken away; its address shows nothing any more.
#[derive(Clone, Copy, Debug)]
pub struct RemoveCalendar {
    /// Which.
    pub id: CalendarId,
}

impl Command for RemoveCalendar {
    type Done = ();
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<(), CommandError> {
        let business = cx.business();
        if !store::animals::calendar::remove(cx.tx, business, self.id).await? {
            return Err(Rejection::Unknown { what: "calendar", id: self.id.0, pointer: None }.into());
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_whole_token_has_a_hash() {
        let token = new_token().unwrap();
        assert_ne!(token, new_token().unwrap());
        assert!(hash(&token).is_some_and(|hash| hash.len() == 64 && !hash.contains(&token)));
        for wrong in ["", "tkc_", &token[..token.len() - 1], &token.replace("tkc_", "tks_")] {
            assert_eq!(hash(wrong), None, "{wrong}");
        }
    }
}
