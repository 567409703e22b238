//! Schemes of names: the standard's and ours.

use crate::domain::{
    identifiers::{ExternalId, INTERNATIONAL_ID, ISO_11784},
    values::Code,
};

/// Schemes that are the same under another name: the standard's, ours.
const SAME: &[(&str, &str)] = &[("icar.Interbull", INTERNATIONAL_ID), ("std.iso.11785", ISO_11784)];

/// A name as it is kept here: one that another name of its scheme makes checkable in its normal form,
/// and as it came where it is not right in that form.
///
/// # Errors
/// Scheme or name is empty, too long or has characters that no name has.
pub fn ours(scheme: &str, id: &str) -> Result<ExternalId, String> {
    let mark = |text: &str| Code::parse(text);
    let same = SAME.iter().find(|(theirs, _)| *theirs == scheme);
    if let Some((_, ours)) = same
        && let Ok(name) = ExternalId::new(mark(ours)?, &mark(id)?)
    {
        return Ok(name);
    }
    ExternalId::new(mark(scheme)?, &mark(id)?)
}

/// The scheme of a name as herd systems are told it.
pub fn theirs(name: &ExternalId) -> &str {
    let scheme = SAME.iter().find(|(_, ours)| *ours == name.scheme.as_str());
    scheme.map_or(name.scheme.as_str(), |(theirs, _)| theirs)
}
