//! What a herd system tells, beside what is on record of it: is it new, the same, older, newer?

use serde_json::Value;

use crate::domain::{
    exchange::ade::{AdeItem, RawResource, is_stale},
    values::{HerdId, Timestamp},
};

/// A thing as it comes.
#[derive(Clone, Copy, Debug)]
pub struct Arrival<'a> {
    /// At the location of this herd.
    pub herd: HerdId,
    /// When it last changed over there.
    pub modified: Option<Timestamp>,
    /// The sender takes it back.
    pub deleted: bool,
    /// What it says.
    pub resource: &'a RawResource,
}

/// What a thing is beside what is on record of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Version {
    /// It says what is on record. `Some`: it says so at a later time than before.
    Same(Option<Timestamp>),
    /// It is not newer than what is on record.
    Stale,
    /// It says something else, and counts.
    Newer,
}

impl Arrival<'_> {
    /// What came beside what is on record. A version that says the same counts as said at its own time, so
    /// that one from before it is known to be older.
    pub fn beside(&self, item: &AdeItem) -> Version {
        let is_same = item.herd_id == self.herd
            && item.deleted == self.deleted
            && meaning(&item.resource) == meaning(self.resource);
        if is_same {
            return Version::Same(self.modified.filter(|_| !is_stale(item.modified, self.modified)));
        }
        if is_stale(item.modified, self.modified) { Version::Stale } else { Version::Newer }
    }
}

/// What is said, without who says it and when it was said.
fn meaning(resource: &RawResource) -> Value {
    let mut said = resource.0.clone();
    if let Value::Object(members) = &mut said {
        for name in ["meta", "id", "@self"] {
            members.remove(name);
        }
    }
    said
}

/// Whether both say the same of the straw.
pub fn same_straw_told(one: &RawResource, other: &RawResource) -> bool {
    let members =
        ["animal", "inseminationType", "straw", "sireIdentifiers", "semenFromFarmStocks", "farmContainer"];
    members.iter().all(|name| one.0.get(name) == other.0.get(name))
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::domain::{
        exchange::ade::ItemKind,
        form::{InputPath, read},
        values::{AdeItemId, Source},
    };

    fn at(at: &str) -> Timestamp {
        read(&json!(at), &InputPath::body()).unwrap()
    }

    fn item(herd: HerdId, modified: Option<Timestamp>) -> AdeItem {
        AdeItem {
            id: AdeItemId::new(),
            herd_id: herd,
            kind: ItemKind::Heat,
            source: Source::parse("org.example").unwrap(),
            source_id: Source::parse("1").unwrap(),
            modified,
            deleted: false,
            animal_id: None,
            happened_at: None,
            flagged: false,
            flag: None,
            flag_text: None,
            resolution: None,
            resolved_at: None,
            note: None,
            subject_id: None,
            resource: RawResource(json!({"certainty": "InHeat", "meta": {"creator": "x"}})),
            plan: None,
            recorded_at: at("2026-03-02T06:00:00Z"),
        }
    }

    #[test]
    fn the_same_said_later_makes_what_lies_between_stale() {
        // The standard's meta.modified: the newest version counts. The rest is our own rule.
        let herd = HerdId::new();
        let (early, between, late) =
            (at("2026-03-02T04:00:00Z"), at("2026-03-02T05:00:00Z"), at("2026-03-02T06:00:00Z"));
        let same = RawResource(json!({"id": "7", "certainty": "InHeat", "meta": {}}));
        let other = RawResource(json!({"certainty": "Suspect"}));
        let came = |resource, modified| Arrival { herd, modified, deleted: false, resource };
        let on_record = item(herd, Some(early));
        assert_eq!(came(&same, Some(late)).beside(&on_record), Version::Same(Some(late)));
        assert_eq!(came(&same, Some(early)).beside(&on_record), Version::Same(None));
        assert_eq!(came(&same, None).beside(&on_record), Version::Same(None));
        assert_eq!(came(&other, Some(between)).beside(&on_record), Version::Newer);
        assert_eq!(came(&other, Some(between)).beside(&item(herd, Some(late))), Version::Stale);
        assert_eq!(came(&other, Some(early)).beside(&on_record), Version::Stale);
        assert_eq!(came(&other, None).beside(&on_record), Version::Newer);
        let taken_back = Arrival { deleted: true, ..came(&same, Some(late)) };
        assert_eq!(taken_back.beside(&on_record), Version::Newer);
        assert_eq!(
            Arrival { herd: HerdId::new(), ..came(&same, Some(late)) }.beside(&on_record),
            Version::Newer
        );
    }
}
