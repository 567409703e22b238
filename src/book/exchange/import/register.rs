//! Things of the book by the names that people write on paper.

use std::collections::{HashMap, HashSet};

use futures_util::{FutureExt as _, future::BoxFuture};
use uuid::Uuid;

use crate::{
    domain::{
        animals::herd::Herd,
        nitrogen::tank::Tank,
        values::{BusinessId, Name},
    },
    store::{self, Page, Tx},
};

/// Records that are read at a time.
const PAGE: i64 = 1000;

/// Names that a message lists.
const LISTED: usize = 20;

/// Hands every record of a list to `each`, a page at a time.
pub async fn every<T>(
    tx: &mut Tx,
    list: impl for<'t> Fn(&'t mut Tx, Page) -> BoxFuture<'t, store::Result<Vec<T>>>,
    id: impl Fn(&T) -> Uuid,
    mut each: impl FnMut(T),
) -> store::Result<()> {
    let mut after = Uuid::nil();
    loop {
        let records = list(tx, Page { after, limit: PAGE }).await?;
        let Some(end) = records.last() else { return Ok(()) };
        after = id(end);
        records.into_iter().for_each(&mut each);
    }
}

/// Which thing of the book a thing of the file is, by the id that it had where the file comes from: lines
/// with one id mean one thing, lines with two mean two, however alike they are.
#[derive(Debug)]
pub struct Claims<T> {
    by_origin: HashMap<T, T>,
    claimed: HashSet<T>,
}

impl<T> Default for Claims<T> {
    fn default() -> Self {
        Self { by_origin: HashMap::new(), claimed: HashSet::new() }
    }
}

impl<T: Copy + Eq + std::hash::Hash> Claims<T> {
    /// Whether a line with the id `origin` may mean `held`.
    pub fn allow(&self, held: T, origin: Option<T>) -> bool {
        match origin {
            None => true,
            Some(origin) => match self.by_origin.get(&origin) {
                Some(claimed) => *claimed == held,
                None => !self.claimed.contains(&held),
            },
        }
    }

    /// A line with the id `origin` means `held`.
    pub fn note(&mut self, held: T, origin: Option<T>) {
        if let Some(origin) = origin {
            self.by_origin.insert(origin, held);
            self.claimed.insert(held);
        }
    }
}

/// Things that must be in the book already.
pub struct Register<T> {
    what: &'static str,
    things: Vec<T>,
    by_name: HashMap<String, Vec<usize>>,
}

impl<T> Register<T> {
    fn new(what: &'static str) -> Self {
        Self { what, things: Vec::new(), by_name: HashMap::new() }
    }

    fn enter(&mut self, name: &Name, thing: T) {
        self.by_name.entry(name.as_str().to_owned()).or_default().push(self.things.len());
        self.things.push(thing);
    }

    /// All of them.
    pub fn all(&self) -> &[T] {
        &self.things
    }

    /// The one of that name; else what is in the book instead.
    pub fn called(&self, name: &Name) -> Result<&T, String> {
        let what = self.what;
        match self.by_name.get(name.as_str()).map(Vec::as_slice) {
            Some([one]) => Ok(&self.things[*one]),
            Some(several) => {
                Err(format!("{} {what}s are called so; give all but one another name first", several.len()))
            }
            None => Err(self.none()),
        }
    }

    fn none(&self) -> String {
        let what = self.what;
        if self.things.is_empty() {
            return format!("the book has no {what} yet; enter it first");
        }
        let mut names: Vec<_> = self.by_name.keys().map(|name| format!("{name:?}")).collect();
        names.sort_unstable();
        let more = if names.len() > LISTED { ", ..." } else { "" };
        names.truncate(LISTED);
        format!("no {what} is called so; there is {}{more}", names.join(", "))
    }
}

/// The tanks of a business.
pub async fn tanks(tx: &mut Tx, business: BusinessId) -> store::Result<Register<Tank>> {
    let mut register = Register::new("tank");
    every(
        tx,
        |tx, page| store::nitrogen::tank::list(tx, business, None, page).boxed(),
        |tank| tank.id.0,
        |tank| register.enter(&tank.details.name.clone(), tank),
    )
    .await?;
    Ok(register)
}

/// The herds of a business.
pub async fn herds(tx: &mut Tx, business: BusinessId) -> store::Result<Register<Herd>> {
    let mut register = Register::new("herd");
    every(
        tx,
        |tx, page| store::animals::herd::list(tx, business, page).boxed(),
        |herd| herd.id.0,
        |herd| register.enter(&herd.details.name.clone(), herd),
    )
    .await?;
    Ok(register)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_that_is_not_there_hears_which_are() {
        let name = |text| Name::parse(text).unwrap();
        let mut register = Register::new("tank");
        assert!(register.called(&name("A")).unwrap_err().contains("no tank yet"));
        for (n, called) in ["B", "A", "B"].into_iter().enumerate() {
            register.enter(&name(called), n);
        }
        assert_eq!(register.called(&name("A")), Ok(&1));
        assert_eq!(
            register.called(&name("a")),
            Err("no tank is called so; there is \"A\", \"B\"".to_owned())
        );
        assert!(register.called(&name("B")).unwrap_err().starts_with("2 tanks are called so"));
    }
}
