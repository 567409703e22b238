//! Which sire a line means: by an identifier, else by his exact name; a new one is entered.
//!
//! Two bulls may bear one name, so a name alone does not settle it where identifiers speak against it.
//! What the book does not know yet of a sire that it has (an identifier, his breed) is taken over.

use std::collections::HashMap;

use futures_util::FutureExt as _;

use crate::{
    book::exchange::import::{
        Taking,
        register::{Claims, every},
    },
    domain::{
        identifiers::{ExternalId, Identifiers},
        straws::sire::{Purpose, Sire, SireDetails},
        values::{BusinessId, Code, Name, SireId},
    },
    store::{self, Tx},
};

/// How a file calls the columns of a sire's name and breed.
#[derive(Clone, Copy, Debug)]
pub struct SireColumns {
    /// His name's.
    pub name: &'static str,
    /// His breed's.
    pub breed: &'static str,
    /// His purpose's.
    pub purpose: &'static str,
}

impl Default for SireColumns {
    fn default() -> Self {
        Self { name: "sire_name", breed: "sire_breed", purpose: "sire_purpose" }
    }
}

/// What a line says of a sire.
#[derive(Clone, Debug, Default)]
pub struct SireLine {
    /// In which columns.
    pub columns: SireColumns,
    /// His name.
    pub name: Option<Name>,
    /// His breed.
    pub breed: Option<Code>,
    /// What his calves are kept for.
    pub purpose: Option<Purpose>,
    /// His identifiers, each with its column, the most official first.
    pub codes: Vec<(&'static str, ExternalId)>,
    /// Which sire he was where the file comes from.
    pub origin: Option<SireId>,
}

/// Whom a line means.
#[derive(Debug, PartialEq)]
enum SireMatch {
    /// Nobody is named.
    Nobody,
    /// One whom the book has, with what it knows of him now.
    Known(SireId, SireDetails),
    /// Another.
    New(SireDetails),
}

/// What is wrong, and in which column.
pub type Wrong = (&'static str, String);

/// The sires of the book.
#[derive(Default)]
pub struct Sires {
    by_id: HashMap<SireId, Sire>,
    by_name: HashMap<String, Vec<SireId>>,
    by_code: HashMap<ExternalId, SireId>,
    claims: Claims<SireId>,
}

impl Sires {
    /// Reads them.
    pub async fn of(tx: &mut Tx, business: BusinessId) -> store::Result<Self> {
        let mut sires = Self::default();
        every(
            tx,
            |tx, page| store::straws::sire::list(tx, business, None, None, page).boxed(),
            |sire| sire.id.0,
            |sire| sires.know(sire),
        )
        .await?;
        Ok(sires)
    }

    /// The sire that a line means, entered if he is new: `Ok(None)` when it names nobody, `Err(())` when it
    /// is wrong, which is noted.
    pub async fn meant<P: FnMut(u64)>(
        &mut self,
        taking: &mut Taking<'_, P>,
        line: u64,
        said: &SireLine,
    ) -> store::Result<Result<Option<SireId>, ()>> {
        let business = taking.business();
        match self.decide(said) {
            Err((column, wrong)) => {
                taking.faults.at(line, column, wrong);
                Ok(Err(()))
            }
            Ok(SireMatch::Nobody) => Ok(Ok(None)),
            Ok(SireMatch::Known(id, details)) => {
                if let Some(known) = self.by_id.get(&id).filter(|known| known.details != details) {
                    let sire = Sire { details, ..known.clone() };
                    store::straws::sire::change(taking.cx.tx, business, id, &sire.details).await?;
                    taking.summary.sires_completed += 1;
                    self.know(sire);
                }
                self.claims.note(id, said.origin);
                Ok(Ok(Some(id)))
            }
            Ok(SireMatch::New(details)) => {
                let sire = Sire { id: SireId::new(), details, created_at: taking.cx.now };
                store::straws::sire::add(taking.cx.tx, business, &sire).await?;
                taking.summary.sires += 1;
                let id = sire.id;
                self.know(sire);
                self.claims.note(id, said.origin);
                Ok(Ok(Some(id)))
            }
        }
    }

    /// The sire of the book that a line means, `None` when it names nobody; else in which column it is wrong, and why.
    pub fn known(&self, said: &SireLine) -> Result<Option<SireId>, Wrong> {
        match self.decide(said)? {
            SireMatch::Nobody => Ok(None),
            SireMatch::Known(id, _) => Ok(Some(id)),
            SireMatch::New(_) => Err((
                said.columns.name,
                "no sire of the book is called so; import the sires first".to_owned(),
            )),
        }
    }

    /// The sire of that id.
    pub fn find(&self, id: SireId) -> Option<&Sire> {
        self.by_id.get(&id)
    }

    /// A sire is as `sire` says now.
    pub fn know(&mut self, sire: Sire) {
        let named = self.by_name.entry(sire.details.name.as_str().to_owned()).or_default();
        if !named.contains(&sire.id) {
            named.push(sire.id);
        }
        for code in sire.details.identifiers.iter() {
            self.by_code.entry(code.clone()).or_insert(sire.id);
        }
        self.by_id.insert(sire.id, sire);
    }

    fn decide(&self, said: &SireLine) -> Result<SireMatch, Wrong> {
        if let Some(sire) = self.by_codes(said)? {
            let name = sire.details.name.as_str();
            // A typing error in an identifier may hit another bull; his name tells.
            let same = |said: &Name| said.as_str().to_lowercase() == name.to_lowercase();
            if said.name.as_ref().is_some_and(|said| !same(said)) {
                let told =
                    format!("the book has {name:?} with that identifier; write that, or leave it empty");
                return Err((said.columns.name, told));
            }
            return completed(sire, said);
        }
        let Some(name) = &said.name else {
            if said.codes.is_empty() {
                return Ok(SireMatch::Nobody);
            }
            return Err((
                said.columns.name,
                "is required: the book has no sire of that identifier yet".to_owned(),
            ));
        };
        match self.by_name(name, said).as_slice() {
            [] => Ok(SireMatch::New(SireDetails {
                name: name.clone(),
                breed: said.breed.clone(),
                purpose: said.purpose,
                identifiers: said.codes.iter().map(|(_, code)| code.clone()).collect(),
                sire_id: None,
                dam_id: None,
                maternal_grandsire_id: None,
                sire_identifier: None,
                dam_identifier: None,
                maternal_grandsire_identifier: None,
            })),
            [one] => completed(one, said),
            several => Err((
                said.columns.name,
                format!("the book has {} of that name; add his identifier", several.len()),
            )),
        }
    }

    /// The sire whom the identifiers name.
    fn by_codes(&self, said: &SireLine) -> Result<Option<&Sire>, Wrong> {
        let mut found: Option<&Sire> = None;
        for (column, code) in &said.codes {
            let hit = self.by_code.get(code).filter(|id| self.claims.allow(**id, said.origin));
            let hit = hit.and_then(|id| self.by_id.get(id));
            match (found, hit) {
                (Some(one), Some(other)) if one.id != other.id => {
                    let (one, other) = (one.details.name.as_str(), other.details.name.as_str());
                    return Err((
                        column,
                        format!("is {other:?} in the book, and the other identifier {one:?}"),
                    ));
                }
                (None, hit) => found = hit,
                _ => {}
            }
        }
        Ok(found)
    }

    /// The sires of that name against whom no identifier speaks.
    fn by_name(&self, name: &Name, said: &SireLine) -> Vec<&Sire> {
        let named = self.by_name.get(name.as_str()).into_iter().flatten();
        named
            .filter(|id| self.claims.allow(**id, said.origin))
            .filter_map(|id| self.by_id.get(id))
            .filter(|sire| !is_another(sire, said))
            .collect()
    }
}

/// The identifiers that columns give, each once, where it stands first.
pub fn codes<const N: usize>(
    columns: [Vec<(&'static str, ExternalId)>; N],
) -> Vec<(&'static str, ExternalId)> {
    let mut codes: Vec<(&'static str, ExternalId)> = Vec::new();
    for (column, code) in columns.into_iter().flatten() {
        if !codes.iter().any(|(_, had)| *had == code) {
            codes.push((column, code));
        }
    }
    codes
}

/// Whether he has another identifier in a scheme in which the line gives one.
fn is_another(sire: &Sire, said: &SireLine) -> bool {
    said.codes.iter().any(|(_, code)| contradicted(sire, code).is_some())
}

/// His identifier in the scheme of `code`, if it is not that one.
fn contradicted<'s>(sire: &'s Sire, code: &ExternalId) -> Option<&'s ExternalId> {
    let mut own = sire.details.identifiers.iter().filter(|own| own.scheme == code.scheme).peekable();
    let first = own.peek().copied();
    if own.any(|own| own == code) { None } else { first }
}

/// A sire of the book with what the line adds to him.
fn completed(sire: &Sire, said: &SireLine) -> Result<SireMatch, Wrong> {
    let mut details = sire.details.clone();
    if let Some(breed) = &said.breed {
        match &details.breed {
            Some(known) if known != breed => {
                return Err((
                    said.columns.breed,
                    format!("is {known} in the book; correct it here or there"),
                ));
            }
            _ => details.breed = Some(breed.clone()),
        }
    }
    if let Some(purpose) = said.purpose {
        match details.purpose {
            Some(known) if known != purpose => {
                return Err((
                    said.columns.purpose,
                    format!("is {known} in the book; correct it here or there"),
                ));
            }
            _ => details.purpose = Some(purpose),
        }
    }
    let mut new = Vec::new();
    for (column, code) in &said.codes {
        if let Some(known) = contradicted(sire, code) {
            return Err((column, format!("is {} in the book; correct it here or there", known.id)));
        }
        if !details.identifiers.iter().any(|known| known == code) {
            new.push(code.clone());
        }
    }
    if !new.is_empty() {
        let all: Identifiers = details.identifiers.iter().cloned().chain(new).collect();
        details.identifiers = all;
    }
    Ok(SireMatch::Known(sire.id, details))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::{
        identifiers::{INTERNATIONAL_ID, UNIFORM_CODE},
        values::Timestamp,
    };

    const ONE: &str = "HOLZZZM000000A12345";
    const OTHER: &str = "HOLZZZM000000B54321";

    fn code(scheme: &str, id: &str) -> ExternalId {
        ExternalId::new(Code::parse(scheme).unwrap(), &Code::parse(id).unwrap()).unwrap()
    }

    fn said(name: &str, breed: &str, international: &str, uniform: &str) -> SireLine {
        let codes =
            [("international_id", INTERNATIONAL_ID, international), ("uniform_code", UNIFORM_CODE, uniform)];
        SireLine {
            name: Name::parse(name).ok(),
            breed: Code::parse(breed).ok(),
            codes: codes
                .into_iter()
                .filter(|(.., id)| !id.is_empty())
                .map(|(column, scheme, id)| (column, code(scheme, id)))
                .collect(),
            ..SireLine::default()
        }
    }

    /// A book in which these sires are.
    fn book(sires: &[SireLine]) -> (Sires, Vec<SireId>) {
        let mut book = Sires::default();
        let mut ids = Vec::new();
        for said in sires {
            let details = SireDetails {
                name: said.name.clone().unwrap(),
                breed: said.breed.clone(),
                purpose: said.purpose,
                identifiers: said.codes.iter().map(|(_, code)| code.clone()).collect(),
                sire_id: None,
                dam_id: None,
                maternal_grandsire_id: None,
                sire_identifier: None,
                dam_identifier: None,
                maternal_grandsire_identifier: None,
            };
            let created_at = Timestamp::from(chrono::DateTime::UNIX_EPOCH);
            let sire = Sire { id: SireId::new(), details, created_at };
            ids.push(sire.id);
            book.know(sire);
        }
        (book, ids)
    }

    fn known(meant: &Result<SireMatch, Wrong>) -> SireId {
        let Ok(SireMatch::Known(id, _)) = meant else { panic!("{meant:?}") };
        *id
    }

    #[test]
    fn an_identifier_finds_him_and_his_name_must_be_his() {
        let (book, ids) =
            book(&[said("Invented One", "HOL", ONE, ""), said("Invented Two", "", "", "0HO123")]);
        assert_eq!(known(&book.decide(&said("", "", ONE, ""))), ids[0]);
        assert_eq!(known(&book.decide(&said("INVENTED ONE", "", ONE, ""))), ids[0]);
        assert_eq!(known(&book.decide(&said("", "", "", "000HO00123"))), ids[1]);
        assert_eq!(book.decide(&said("Invented Two", "", ONE, "")).unwrap_err().0, "sire_name");
        assert_eq!(book.decide(&said("", "", ONE, "0HO123")).unwrap_err().0, "uniform_code");
        assert_eq!(book.decide(&said("", "JER", ONE, "")).unwrap_err().0, "sire_breed");
    }

    #[test]
    fn a_name_finds_him_unless_an_identifier_says_he_is_another() {
        let (book, ids) = book(&[said("Invented One", "", ONE, "")]);
        assert_eq!(known(&book.decide(&said("Invented One", "", "", ""))), ids[0]);
        assert!(matches!(book.decide(&said("Invented One", "", OTHER, "")), Ok(SireMatch::New(_))));
        assert!(matches!(book.decide(&said("invented one", "", "", "")), Ok(SireMatch::New(_))));
        assert_eq!(book.decide(&said("", "", OTHER, "")).unwrap_err().0, "sire_name");
        assert_eq!(book.decide(&SireLine::default()), Ok(SireMatch::Nobody));
    }

    #[test]
    fn two_of_one_name_are_told_apart_by_identifiers_only() {
        let (book, ids) = book(&[said("Invented One", "", ONE, ""), said("Invented One", "", OTHER, "")]);
        assert!(book.decide(&said("Invented One", "", "", "")).unwrap_err().1.contains("2 of that name"));
        assert_eq!(known(&book.decide(&said("Invented One", "", OTHER, ""))), ids[1]);
    }

    #[test]
    fn two_of_a_file_are_two_however_alike_they_are() {
        let (mut book, ids) = book(&[said("Invented One", "", ONE, ""), said("Invented One", "", ONE, "")]);
        let origin = SireId::new();
        book.claims.note(ids[0], Some(origin));
        let meant =
            |origin| book.decide(&SireLine { origin: Some(origin), ..said("Invented One", "", "", "") });
        assert_eq!(known(&meant(origin)), ids[0]);
        assert_eq!(known(&meant(SireId::new())), ids[1]);
    }

    #[test]
    fn what_the_book_does_not_know_of_him_is_taken_over() {
        let (book, ids) = book(&[said("Invented One", "", "", "")]);
        let Ok(SireMatch::Known(id, details)) = book.decide(&said("Invented One", "HOL", ONE, "0HO123"))
        else {
            panic!()
        };
        assert_eq!(id, ids[0]);
        assert_eq!(details.breed.unwrap().as_str(), "HOL");
        assert_eq!(details.identifiers.iter().count(), 2);
    }
}
