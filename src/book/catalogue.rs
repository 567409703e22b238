//! Entering and changing what the book is about: herds, tanks, sires, lots, animals.
//!
//! The five are entered and changed alike, so that is said once, in [`Add`] and [`Change`]; what
//! differs, above all the rules of each, is in its [`CatalogueItem`].

use crate::{
    book::{
        CommandError,
        alerts::rule::check_alert_rule,
        animals::report_event::{renumber, renumber_herd},
        command::{Command, CommandContext},
        lookup,
    },
    domain::{
        alerts::rule::{AlertRule, AlertRuleDetails},
        animals::{
            animal::{Animal, AnimalDetails, dam_too_young},
            herd::{Herd, HerdDetails},
            kinship::{Parents, Relative},
        },
        form::{self, Fault, Field, InputPath},
        nitrogen::tank::{Tank, TankDetails},
        rejection::Rejection,
        straws::{
            lot::{Lot, LotDetails},
            sire::{Sire, SireDetails},
        },
        values::{AlertRuleId, AnimalId, BusinessId, HerdId, LotId, SireId, TankId, Timestamp},
    },
    store::{self, Tx, animals::pedigree},
};
use serde::Serialize;
use serde_json::Value;
use sha2::{Digest as _, Sha256};
use uuid::Uuid;

/// A thing that is entered in the book and may change.
pub trait CatalogueItem: Clone + Serialize + Send + Sync + Sized + 'static {
    /// What can be said of it.
    type Details: Field + Serialize + Clone + Send + Sync;

    /// What kind of thing it is.
    const WHAT: &'static str;

    /// A new one.
    fn new(details: Self::Details, now: Timestamp) -> Self;
    /// What is said of it.
    fn details(&self) -> &Self::Details;
    /// The same with other details.
    #[must_use]
    fn with(self, details: Self::Details) -> Self;

    /// Looks it up.
    fn find(
        tx: &mut Tx,
        business: BusinessId,
        id: Uuid,
    ) -> impl Future<Output = store::Result<Option<Self>>> + Send;
    /// Enters it.
    fn add(&self, tx: &mut Tx, business: BusinessId) -> impl Future<Output = store::Result<()>> + Send;
    /// Writes its details over.
    fn change(&self, tx: &mut Tx, business: BusinessId) -> impl Future<Output = store::Result<()>> + Send;
    /// What follows in the book from a change.
    fn follow(
        &self,
        _cx: &mut CommandContext<'_>,
        _before: &Self,
    ) -> impl Future<Output = store::Result<()>> + Send {
        async { Ok(()) }
    }
    /// Whether it may stand so in the book: what it names must be there, and what hangs on its
    /// former details must still be right.
    fn check(
        &self,
        cx: &mut CommandContext<'_>,
        before: Option<&Self>,
    ) -> impl Future<Output = Result<(), CommandError>> + Send;
}

/// Enters a thing.
pub struct Add<T: CatalogueItem> {
    /// What is said of it.
    pub details: T::Details,
}

impl<T: CatalogueItem> Command for Add<T> {
    type Done = T;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<T, CommandError> {
        let thing = T::new(self.details.clone(), cx.now);
        thing.check(cx, None).await?;
        let business = cx.business();
        thing.add(cx.tx, business).await?;
        Ok(thing)
    }
}

/// Changes a thing by a merge patch (RFC 7396).
pub struct Change<T> {
    /// Which.
    pub id: Uuid,
    /// What is to be different.
    pub patch: Value,
    /// The versions of which one must still be in the book.
    pub if_match: Option<Vec<String>>,
    /// Of which kind.
    pub kind: std::marker::PhantomData<fn() -> T>,
}

impl<T: CatalogueItem> Command for Change<T> {
    type Done = T;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<T, CommandError> {
        let business = cx.business();
        let before = T::find(cx.tx, business, self.id).await?.ok_or(Rejection::Unknown {
            what: T::WHAT,
            id: self.id,
            pointer: None,
        })?;
        let details = patched(before.details(), &self.patch)?;
        let after = before.clone().with(details);
        after.check(cx, Some(&before)).await?;
        check_version(self.if_match.as_deref(), &before)?;
        after.change(cx.tx, business).await?;
        after.follow(cx, &before).await?;
        Ok(after)
    }
}

fn patched<D: Field + Serialize>(details: &D, patch: &Value) -> Result<D, CommandError> {
    let mut merged = serde_json::to_value(details).map_err(store::Error::from)?;
    merge(&mut merged, patch);
    Ok(form::read(&merged, &InputPath::body()).map_err(Rejection::Invalid)?)
}

/// RFC 7396, section 2.
fn merge(target: &mut Value, patch: &Value) {
    let Value::Object(changes) = patch else {
        *target = patch.clone();
        return;
    };
    if !target.is_object() {
        *target = Value::Object(serde_json::Map::new());
    }
    if let Value::Object(members) = target {
        for (name, change) in changes {
            if change.is_null() {
                members.remove(name);
            } else {
                merge(members.entry(name.clone()).or_insert(Value::Null), change);
            }
        }
    }
}

/// A mark of a thing's present state: another one whenever anything in it is different, and only then.
pub fn version(thing: &impl Serialize) -> serde_json::Result<String> {
    Ok(version_of_bytes(&serde_json::to_vec(thing)?))
}

/// Refuses a change of `thing` when none of the `wanted` versions is in the book any more.
pub fn check_version(wanted: Option<&[String]>, thing: &impl Serialize) -> Result<(), CommandError> {
    let Some(wanted) = wanted else { return Ok(()) };
    let version = version(thing).map_err(store::Error::from)?;
    if wanted.contains(&version) { Ok(()) } else { Err(Rejection::Stale.into()) }
}

/// The same of something that is bytes already.
pub fn version_of_bytes(bytes: &[u8]) -> String {
    use base64::{Engine as _, prelude::BASE64_URL_SAFE_NO_PAD};
    let digest = Sha256::digest(bytes);
    BASE64_URL_SAFE_NO_PAD.encode(&digest[..15])
}

/// Parents must be known, and nobody is an ancestor of its own. Only a change can make one so: of whom is
/// just entered nobody descends. Gives the dam.
async fn check_parents(
    cx: &mut CommandContext<'_>,
    own: Relative,
    new: Parents,
    old: Option<Parents>,
) -> Result<Option<Animal>, CommandError> {
    if let Some(father) = new.sire_id {
        lookup::sire(cx, father, Some("#/sire_id")).await?;
    }
    let dam = match new.dam_id {
        Some(mother) => Some(lookup::animal(cx, mother, Some("#/dam_id")).await?),
        None => None,
    };
    if old.is_none_or(|old| old == new) {
        return Ok(dam);
    }
    let parents =
        [("sire_id", new.sire_id.map(Relative::Sire)), ("dam_id", new.dam_id.map(Relative::Animal))];
    let business = cx.business();
    let sires: Vec<SireId> = new.sire_id.into_iter().collect();
    let pedigree = pedigree::of(cx.tx, business, new.dam_id, &sires).await?;
    for (field, parent) in parents {
        if let Some(parent) = parent
            && pedigree.descends_from(parent, own)
        {
            let detail = "must not be the one whose parent it is, nor descend from it";
            return Err(Rejection::Invalid(vec![Fault::at(field, detail)]).into());
        }
    }
    Ok(dam)
}

macro_rules! catalogue_item {
    ($thing:ident, $details:ty, $id:ident, $layer:ident::$module:ident, $what:literal, $check:path $(, $follow:path)?) => {
        impl CatalogueItem for $thing {
            type Details = $details;
            const WHAT: &'static str = $what;

            fn new(details: $details, now: Timestamp) -> Self {
                Self { id: $id::new(), details, created_at: now }
            }
            fn details(&self) -> &$details {
                &self.details
            }
            fn with(self, details: $details) -> Self {
                Self { details, ..self }
            }
            async fn find(tx: &mut Tx, business: BusinessId, id: Uuid) -> store::Result<Option<Self>> {
                store::$layer::$module::find(tx, business, $id(id)).await
            }
            async fn add(&self, tx: &mut Tx, business: BusinessId) -> store::Result<()> {
                store::$layer::$module::add(tx, business, self).await
            }
            async fn change(&self, tx: &mut Tx, business: BusinessId) -> store::Result<()> {
                store::$layer::$module::change(tx, business, self.id, &self.details).await
            }
            async fn check(
                &self,
                cx: &mut CommandContext<'_>,
                before: Option<&Self>,
            ) -> Result<(), CommandError> {
                $check(self, cx, before).await
            }
            $(async fn follow(&self, cx: &mut CommandContext<'_>, before: &Self) -> store::Result<()> {
                $follow(self, cx, before).await
            })?
        }
    };
}

catalogue_item!(Herd, HerdDetails, HerdId, animals::herd, "herd", check_herd, follow_herd);
catalogue_item!(Tank, TankDetails, TankId, nitrogen::tank, "tank", check_tank);
catalogue_item!(Sire, SireDetails, SireId, straws::sire, "sire", check_sire);
catalogue_item!(Lot, LotDetails, LotId, straws::lot, "lot", check_lot);
catalogue_item!(AlertRule, AlertRuleDetails, AlertRuleId, alerts::rule, "alert rule", check_alert_rule);
catalogue_item!(Animal, AnimalDetails, AnimalId, animals::animal, "animal", check_animal, follow_animal);

async fn check_herd(_: &Herd, _: &mut CommandContext<'_>, _: Option<&Herd>) -> Result<(), CommandError> {
    Ok(())
}

/// Another rule for what is one heat gives services other numbers.
async fn follow_herd(herd: &Herd, cx: &mut CommandContext<'_>, before: &Herd) -> store::Result<()> {
    if herd.details.same_heat_hours == before.details.same_heat_hours {
        return Ok(());
    }
    let business = cx.business();
    renumber_herd(cx.tx, business, herd.id).await
}

/// So does another herd.
async fn follow_animal(animal: &Animal, cx: &mut CommandContext<'_>, before: &Animal) -> store::Result<()> {
    if animal.details.herd_id == before.details.herd_id {
        return Ok(());
    }
    let business = cx.business();
    renumber(cx.tx, business, animal.id).await
}

async fn check_tank(
    tank: &Tank,
    cx: &mut CommandContext<'_>,
    before: Option<&Tank>,
) -> Result<(), CommandError> {
    if let Some(herd) = tank.details.herd_id {
        lookup::herd(cx, herd, Some("#/herd_id")).await?;
    }
    if before.is_some() {
        let business = cx.business();
        let highest = store::nitrogen::tank::highest_canister_in_use(cx.tx, business, tank.id).await?;
        if let Some(highest) = highest.filter(|highest| *highest > tank.details.canisters.get()) {
            let text = format!("Straws hang in canister {highest}; move them before the tank loses it.");
            return Err(Rejection::InUse { text }.into());
        }
    }
    Ok(())
}

async fn check_sire(
    sire: &Sire,
    cx: &mut CommandContext<'_>,
    before: Option<&Sire>,
) -> Result<(), CommandError> {
    let parents = |sire: &Sire| Parents { sire_id: sire.details.sire_id, dam_id: sire.details.dam_id };
    check_parents(cx, Relative::Sire(sire.id), parents(sire), before.map(parents)).await?;
    let grandsire = sire.details.maternal_grandsire_id;
    let Some(grandsire) = grandsire else { return Ok(()) };
    lookup::sire(cx, grandsire, Some("#/maternal_grandsire_id")).await?;
    if before.is_some_and(|before| before.details.maternal_grandsire_id != Some(grandsire)) {
        let business = cx.business();
        let pedigree = pedigree::of(cx.tx, business, None, &[grandsire]).await?;
        if pedigree.descends_from(Relative::Sire(grandsire), Relative::Sire(sire.id)) {
            let detail = "must not be the one whose grandsire he is, nor descend from him";
            return Err(Rejection::Invalid(vec![Fault::at("maternal_grandsire_id", detail)]).into());
        }
    }
    Ok(())
}

async fn check_lot(lot: &Lot, cx: &mut CommandContext<'_>, before: Option<&Lot>) -> Result<(), CommandError> {
    let d = &lot.details;
    lookup::sire(cx, d.sire_id, Some("#/sire_id")).await?;
    if let Some(herd) = d.owner_herd_id {
        lookup::herd(cx, herd, Some("#/owner_herd_id")).await?;
    }
    lot_is_possible(d, cx.now)?;
    let business = cx.business();
    if before.is_some_and(|before| before.details.status != d.status) {
        cx.touched.lot(lot.id);
    }
    if let Some(before) = before
        && (before.details.sire_id, before.details.semen_type) != (d.sire_id, d.semen_type)
        && store::straws::lot::has_moved(cx.tx, business, lot.id).await?
    {
        let text = "Straws of this lot have moved, so its sire and semen type are settled; \
                    enter another lot and discard or recount this one.";
        return Err(Rejection::InUse { text: text.to_owned() }.into());
    }
    Ok(())
}

/// Refuses a lot that cannot be so, whatever else is in the book.
pub fn lot_is_possible(d: &LotDetails, now: Timestamp) -> Result<(), Rejection> {
    let today = now.utc().date_naive();
    if d.collected_on.is_some_and(|day| (day.0 - today).num_days() > 1) {
        return Err(Rejection::Invalid(vec![Fault::at("collected_on", "lies in the future")]));
    }
    Ok(())
}

async fn check_animal(
    animal: &Animal,
    cx: &mut CommandContext<'_>,
    before: Option<&Animal>,
) -> Result<(), CommandError> {
    let d = &animal.details;
    let herd = lookup::herd(cx, d.herd_id, Some("#/herd_id")).await?;
    let parents =
        |animal: &Animal| Parents { sire_id: animal.details.sire_id, dam_id: animal.details.dam_id };
    let dam = check_parents(cx, Relative::Animal(animal.id), parents(animal), before.map(parents)).await?;
    check_ages(animal, dam.as_ref(), cx, before).await?;
    animal_is_possible(d, &herd, cx.now)?;
    Ok(())
}

/// A dam was born before her calves.
async fn check_ages(
    animal: &Animal,
    dam: Option<&Animal>,
    cx: &mut CommandContext<'_>,
    before: Option<&Animal>,
) -> Result<(), CommandError> {
    let (business, d) = (cx.business(), &animal.details);
    let said = |animal: &Animal| (animal.details.born_on, animal.details.dam_id);
    if before.is_some_and(|before| said(before) == said(animal)) {
        return Ok(());
    }
    if let Some(wrong) = dam.and_then(|dam| dam_too_young(dam.details.born_on, d.born_on)) {
        return Err(Rejection::Invalid(vec![Fault::at("dam_id", wrong)]).into());
    }
    if before.is_some() && d.born_on.is_some() {
        let calf = store::animals::animal::eldest_calf_born_on(cx.tx, business, animal.id).await?;
        if dam_too_young(d.born_on, calf).is_some() {
            let wrong = "is not before the birth of a calf of hers in this book";
            return Err(Rejection::Invalid(vec![Fault::at("born_on", wrong)]).into());
        }
    }
    Ok(())
}

/// Refuses an animal that cannot be so, whatever else is in the book.
pub fn animal_is_possible(d: &AnimalDetails, herd: &Herd, now: Timestamp) -> Result<(), Rejection> {
    if d.born_on.is_some_and(|born| born > now.day_in(herd.details.time_zone)) {
        return Err(Rejection::Invalid(vec![Fault::at("born_on", "lies in the future")]));
    }
    if d.born_on.zip(d.left_on).is_some_and(|(born, left)| left < born) {
        return Err(Rejection::Invalid(vec![Fault::at("left_on", "lies before born_on")]));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn merges_as_the_standard_shows() {
        // RFC 7396, appendix A, every example.
        for (mut target, patch, result) in [
            (json!({"a": "b"}), json!({"a": "c"}), json!({"a": "c"})),
            (json!({"a": "b"}), json!({"b": "c"}), json!({"a": "b", "b": "c"})),
            (json!({"a": "b"}), json!({"a": null}), json!({})),
            (json!({"a": "b", "b": "c"}), json!({"a": null}), json!({"b": "c"})),
            (json!({"a": ["b"]}), json!({"a": "c"}), json!({"a": "c"})),
            (json!({"a": "c"}), json!({"a": ["b"]}), json!({"a": ["b"]})),
            (json!({"a": {"b": "c"}}), json!({"a": {"b": "d", "c": null}}), json!({"a": {"b": "d"}})),
            (json!({"a": [{"b": "c"}]}), json!({"a": [1]}), json!({"a": [1]})),
            (json!(["a", "b"]), json!(["c", "d"]), json!(["c", "d"])),
            (json!({"a": "b"}), json!(["c"]), json!(["c"])),
            (json!({"a": "foo"}), json!(null), json!(null)),
            (json!({"a": "foo"}), json!("bar"), json!("bar")),
            (json!({"e": null}), json!({"a": 1}), json!({"e": null, "a": 1})),
            (json!([1, 2]), json!({"a": "b", "c": null}), json!({"a": "b"})),
            (json!({}), json!({"a": {"bb": {"ccc": null}}}), json!({"a": {"bb": {}}})),
        ] {
            merge(&mut target, &patch);
            assert_eq!(target, result, "{patch}");
        }
    }
}
