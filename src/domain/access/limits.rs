//! Keys that are good for some herds or tanks only: what is beyond such a key's limits is to it as if it were not there.

use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::domain::{
    alerts::{Alert, rule::AlertRule},
    animals::{
        animal::Animal,
        call_out::CallOut,
        event::Event,
        herd::Herd,
        service::Service,
        timed_protocol::{ProtocolStart, TimedProtocol},
    },
    exchange::{
        ade::AdeItem,
        change::{Change, ChangeKind},
    },
    nitrogen::tank::Tank,
    rejection::Rejection,
    straws::{
        hold::Hold, lot::Lot, movement::Movement, sire::Sire, stock::Stock, stocktake::Stocktake,
        withdrawal::Withdrawal,
    },
    values::{HerdId, TankId},
    webhooks::webhook::{HerdIds, TankIds},
};

/// What a key is limited to, as a manager said it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, ToSchema, sqlx::FromRow)]
pub struct KeyLimits {
    /// Only what is of these herds; of all when null.
    pub herd_ids: Option<HerdIds>,
    /// Only what is in these tanks; in all when null, or in all within reach of its herds.
    pub tank_ids: Option<TankIds>,
}

impl KeyLimits {
    /// Whether there are any.
    pub fn any(&self) -> bool {
        self.herd_ids.is_some() || self.tank_ids.is_some()
    }

    /// The same in words, after "limited to".
    pub fn in_words(&self) -> String {
        fn named<I: ToString>(one: &str, many: &str, ids: &[I]) -> Option<String> {
            let ids: Vec<String> = ids.iter().map(ToString::to_string).collect();
            match ids.as_slice() {
                [] => None,
                [id] => Some(format!("the {one} {id}")),
                several => Some(format!("the {many} {}", several.join(", "))),
            }
        }
        let herds = self.herd_ids.as_ref().and_then(|herds| named("herd", "herds", &herds.0));
        let tanks = self.tank_ids.as_ref().and_then(|tanks| named("tank", "tanks", &tanks.0));
        herds.into_iter().chain(tanks).collect::<Vec<_>>().join(" and ")
    }
}

/// What a key that is limited may reach.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Limits {
    said: KeyLimits,
    /// Where herds are named and no tanks: their own tanks, and those that are no herd's.
    within_reach: Vec<TankId>,
}

impl Limits {
    /// The limits that were `said`; `within_reach` are the tanks of its herds and those of none. Nothing for a key that has no
    /// limits.
    pub fn of(said: &KeyLimits, within_reach: &[TankId]) -> Option<Self> {
        said.any().then(|| Self { said: said.clone(), within_reach: within_reach.to_vec() })
    }

    /// As they were said.
    pub fn said(&self) -> &KeyLimits {
        &self.said
    }

    /// The herds, where it is limited to some.
    pub fn herds(&self) -> Option<&[HerdId]> {
        self.said.herd_ids.as_ref().map(|herds| herds.0.as_slice())
    }

    /// The tanks that it reaches, where these are not all.
    pub fn tanks(&self) -> Option<&[TankId]> {
        match (&self.said.tank_ids, &self.said.herd_ids) {
            (Some(tanks), _) => Some(&tanks.0),
            (None, Some(_)) => Some(&self.within_reach),
            (None, None) => None,
        }
    }

    /// Whether this herd is within.
    pub fn herd(&self, id: HerdId) -> bool {
        self.herds().is_none_or(|herds| herds.contains(&id))
    }

    /// Whether this tank is within.
    pub fn tank(&self, id: TankId) -> bool {
        self.tanks().is_none_or(|tanks| tanks.contains(&id))
    }

    /// Whether a thing with these bounds is within.
    pub fn keep(&self, bounds: &Bounds) -> bool {
        let herd = |part: &Part<HerdId>| match part {
            Part::No => true,
            Part::Of(herd) => self.herd(*herd),
            Part::Unknown => self.said.herd_ids.is_none(),
        };
        let tank = |part: &Part<TankId>| match part {
            Part::No => true,
            Part::Of(tank) => self.tank(*tank),
            Part::Unknown => self.said.tank_ids.is_none(),
        };
        bounds.herds.iter().all(herd) && bounds.tanks.iter().all(tank)
    }

    /// Refuses the first thing that a request names by its id and that is beyond, as one that is not there.
    ///
    /// # Errors
    /// There is one.
    pub fn check(&self, named: &[NamedId], things: &[NamedThing]) -> Result<(), Rejection> {
        let beyond = |named: &&NamedId| {
            let mut found = things.iter().filter(|thing| thing.id == named.id);
            found.any(|thing| !self.keep(&thing.bounds()))
        };
        let Some(NamedId { id, at }) = named.iter().find(beyond) else { return Ok(()) };
        let (what, pointer) = match at {
            NamedAt::Path { what } => (*what, None),
            NamedAt::Body { pointer } => {
                let thing = things.iter().find(|thing| thing.id == *id);
                (thing.map_or("thing", |thing| thing.what.in_words()), Some(pointer.clone()))
            }
        };
        Err(Rejection::Unknown { what, id: *id, pointer })
    }

    /// The first of these ids that names nothing within.
    pub fn first_beyond<'n>(
        &self,
        named: &'n [(String, Uuid)],
        things: &[NamedThing],
    ) -> Option<&'n (String, Uuid)> {
        named.iter().find(|(_, id)| {
            let mut found = things.iter().filter(|thing| thing.id == *id).peekable();
            found.peek().is_none() || found.any(|thing| !self.keep(&thing.bounds()))
        })
    }
}

/// Whether a thing is within the limits, where there are any.
pub fn within(limits: Option<&Limits>, thing: &impl Bounded) -> bool {
    limits.is_none_or(|limits| limits.keep(&thing.bounds()))
}

/// Those of the things that are.
pub fn only_within<T: Bounded>(limits: Option<&Limits>, mut things: Vec<T>) -> Vec<T> {
    things.retain(|thing| within(limits, thing));
    things
}

/// Whether a thing is of a herd, or in a tank.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Part<I> {
    /// Of none: whoever may read may read it.
    #[default]
    No,
    /// Of this one.
    Of(I),
    /// It may be of any, so it is beyond every limit of that kind.
    Unknown,
}

impl<I> Part<I> {
    /// Of that one, or of none.
    pub fn of(id: Option<I>) -> Self {
        id.map_or(Self::No, Self::Of)
    }

    /// Of that one, or it is not known of which.
    fn known(id: Option<I>) -> Self {
        id.map_or(Self::Unknown, Self::Of)
    }
}

/// Which herd a thing is of, and in which tanks it is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Bounds {
    herds: [Part<HerdId>; 2],
    tanks: [Part<TankId>; 2],
}

impl Bounds {
    /// Of that herd, and in no tank.
    pub fn herd(id: HerdId) -> Self {
        Self { herds: [Part::Of(id), Part::No], ..Self::default() }
    }

    /// In that tank, and of no herd.
    pub fn tank(id: TankId) -> Self {
        Self { tanks: [Part::Of(id), Part::No], ..Self::default() }
    }

    /// Of what is told by an alert, and of nothing else where that says neither a herd nor a tank.
    fn alert(herd: Option<HerdId>, tank: Option<TankId>) -> Self {
        let herd = if tank.is_some() { Part::of(herd) } else { Part::known(herd) };
        Self { herds: [herd, Part::No], tanks: [Part::known(tank), Part::No] }
    }
}

/// A thing that limits may keep from a key.
pub trait Bounded {
    /// Which herd it is of, and in which tanks.
    fn bounds(&self) -> Bounds;
}

macro_rules! bounded {
    ($bounds:path; $($thing:ty: |$it:ident| $id:expr;)+) => {$(
        impl Bounded for $thing {
            fn bounds(&self) -> Bounds {
                let $it = self;
                $bounds($id)
            }
        }
    )+};
}

bounded! {
    Bounds::herd;
    Herd: |it| it.id;
    Animal: |it| it.details.herd_id;
    Event: |it| it.herd_id;
    CallOut: |it| it.herd_id;
    TimedProtocol: |it| it.details.herd_id;
    ProtocolStart: |it| it.herd_id;
    AdeItem: |it| it.herd_id;
}

bounded! {
    Bounds::tank;
    Tank: |it| it.id;
    Hold: |it| it.tank_id;
    Stocktake: |it| it.tank_id;
}

/// A sire is everybody's.
impl Bounded for Sire {
    fn bounds(&self) -> Bounds {
        Bounds::default()
    }
}

/// A lot that belongs to a herd's owner is that herd's; any other is everybody's.
impl Bounded for Lot {
    fn bounds(&self) -> Bounds {
        Bounds { herds: [Part::of(self.details.owner_herd_id), Part::No], ..Bounds::default() }
    }
}

impl Bounded for Stock {
    fn bounds(&self) -> Bounds {
        Bounds { tanks: Bounds::tank(self.place.tank_id).tanks, ..self.lot.bounds() }
    }
}

impl Bounded for Withdrawal {
    fn bounds(&self) -> Bounds {
        Bounds { tanks: Bounds::tank(self.place.tank_id).tanks, ..Bounds::herd(self.herd_id) }
    }
}

/// A service with a straw of this book is in the tank out of which that came, too.
impl Bounded for Service {
    fn bounds(&self) -> Bounds {
        let tank = Part::of(self.place.as_ref().map(|place| place.tank_id));
        Bounds { tanks: [tank, Part::No], ..Bounds::herd(self.herd_id) }
    }
}

/// Both ends count. The line says neither the herd of the animal for whom a straw was taken nor that of the lot's owner.
impl Bounded for Movement {
    fn bounds(&self) -> Bounds {
        let end = |place: &Option<crate::domain::straws::place::Place>| {
            Part::of(place.as_ref().map(|place| place.tank_id))
        };
        Bounds { herds: [Part::Unknown, Part::No], tanks: [end(&self.from.place), end(&self.to.place)] }
    }
}

/// What a rule watches is the whole business's.
impl Bounded for AlertRule {
    fn bounds(&self) -> Bounds {
        Bounds { herds: [Part::Unknown, Part::No], tanks: [Part::Unknown, Part::No] }
    }
}

/// An alert that names neither a herd nor a tank is of the whole business.
impl Bounded for Alert {
    fn bounds(&self) -> Bounds {
        Bounds::alert(self.about.herd_id, self.about.tank_id)
    }
}

/// What a change is of; where it names no herd, only of a sire and a tank is it known.
impl Bounded for Change {
    fn bounds(&self) -> Bounds {
        match (self.kind, self.herd_id) {
            (ChangeKind::Sire, _) => Bounds::default(),
            (ChangeKind::Tank, _) => Bounds::tank(TankId(self.id)),
            (_, herd) => Bounds { herds: [Part::known(herd), Part::No], tanks: [Part::Unknown, Part::No] },
        }
    }
}

/// An id by which a request names a thing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NamedId {
    /// The id.
    pub id: Uuid,
    /// Where it stands.
    pub at: NamedAt,
}

/// Where a request names a thing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NamedAt {
    /// In its path.
    Path {
        /// What is found there.
        what: &'static str,
    },
    /// In its body.
    Body {
        /// A JSON Pointer to it.
        pointer: String,
    },
}

/// What kind of thing an id names that is of a herd or in a tank, or everybody's.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ThingKind {
    /// A sire.
    Sire,
    /// An alert.
    Alert,
    /// Any other, as a refusal calls it.
    Other(&'static str),
}

impl ThingKind {
    /// What it is called.
    pub fn in_words(self) -> &'static str {
        match self {
            Self::Sire => "sire",
            Self::Alert => "alert",
            Self::Other(what) => what,
        }
    }
}

/// A thing that is named by its id.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NamedThing {
    /// The id.
    pub id: Uuid,
    /// What it is.
    pub what: ThingKind,
    /// Its herds, where it has any: a movement those of the animal and of the owner.
    pub herd_ids: [Option<HerdId>; 2],
    /// Its tanks, where it has any.
    pub tank_ids: [Option<TankId>; 2],
}

impl Bounded for NamedThing {
    fn bounds(&self) -> Bounds {
        match self.what {
            ThingKind::Alert => Bounds::alert(self.herd_ids[0], self.tank_ids[0]),
            ThingKind::Sire | ThingKind::Other(_) => {
                Bounds { herds: self.herd_ids.map(Part::of), tanks: self.tank_ids.map(Part::of) }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn herds(ids: &[HerdId]) -> KeyLimits {
        KeyLimits { herd_ids: Some(HerdIds(ids.to_vec())), tank_ids: None }
    }

    fn tanks(ids: &[TankId]) -> KeyLimits {
        KeyLimits { herd_ids: None, tank_ids: Some(TankIds(ids.to_vec())) }
    }

    #[test]
    fn a_limit_to_herds_reaches_their_tanks_and_nobodys() {
        let (own, other) = (HerdId::new(), HerdId::new());
        let (near, far) = (TankId::new(), TankId::new());
        assert_eq!(Limits::of(&KeyLimits::default(), &[near]), None);
        let limits = Limits::of(&herds(&[own]), &[near]).unwrap();
        assert!(limits.herd(own) && !limits.herd(other) && limits.tank(near) && !limits.tank(far));
        // A tank that is named goes before.
        let both = KeyLimits { tank_ids: Some(TankIds(vec![far])), ..herds(&[own]) };
        let limits = Limits::of(&both, &[near]).unwrap();
        assert!(limits.herd(own) && !limits.herd(other) && !limits.tank(near) && limits.tank(far));
        let limits = Limits::of(&tanks(&[far]), &[]).unwrap();
        assert!(limits.herd(own) && limits.herd(other) && !limits.tank(near) && limits.tank(far));
    }

    #[test]
    fn what_may_be_of_any_is_beyond_and_what_is_of_none_is_everybodys() {
        let (herd, tank) = (HerdId::new(), TankId::new());
        let of_herds = Limits::of(&herds(&[herd]), &[tank]).unwrap();
        let of_tanks = Limits::of(&tanks(&[tank]), &[]).unwrap();
        let both = |bounds: Bounds| (of_herds.keep(&bounds), of_tanks.keep(&bounds));
        assert_eq!(both(Bounds::default()), (true, true));
        assert_eq!(both(Bounds { herds: [Part::Unknown, Part::No], ..Bounds::default() }), (false, true));
        assert_eq!(both(Bounds { tanks: [Part::Unknown, Part::No], ..Bounds::default() }), (true, false));
        // A transfer is within only with both its ends.
        let ends = |other| Bounds { tanks: [Part::Of(tank), Part::Of(other)], ..Bounds::default() };
        assert_eq!(both(ends(tank)), (true, true));
        assert_eq!(both(ends(TankId::new())), (false, false));
        // Alerts: of the herd, of the tank, of both, of the business.
        assert_eq!(both(Bounds::alert(Some(herd), None)), (true, false));
        assert_eq!(both(Bounds::alert(None, Some(tank))), (true, true));
        assert_eq!(both(Bounds::alert(Some(HerdId::new()), Some(tank))), (false, true));
        assert_eq!(both(Bounds::alert(None, None)), (false, false));
    }

    #[test]
    fn what_is_named_beyond_the_limits_is_not_there() {
        let (own, other) = (HerdId::new(), HerdId::new());
        let limits = Limits::of(&herds(&[own]), &[]).unwrap();
        let animal = |herd_id| NamedThing {
            id: Uuid::now_v7(),
            what: ThingKind::Other("animal"),
            herd_ids: [Some(herd_id), None],
            tank_ids: [None; 2],
        };
        let (hers, theirs) = (animal(own), animal(other));
        let at = |pointer: &str| NamedAt::Body { pointer: pointer.to_owned() };
        let named = |id, at| NamedId { id, at };
        let things = [hers, theirs];
        assert!(limits.check(&[named(hers.id, at("#/animal_id"))], &things).is_ok());
        // What nobody knows is for the act to refuse.
        assert!(limits.check(&[named(Uuid::now_v7(), at("#/animal_id"))], &things).is_ok());
        let both = [named(hers.id, at("#/0")), named(theirs.id, at("#/1"))];
        match limits.check(&both, &things) {
            Err(Rejection::Unknown { what: "animal", id, pointer: Some(pointer) }) => {
                assert_eq!((id, pointer.as_str()), (theirs.id, "#/1"));
            }
            other => panic!("{other:?}"),
        }
        let path = [named(theirs.id, NamedAt::Path { what: "heat" })];
        assert!(matches!(
            limits.check(&path, &things),
            Err(Rejection::Unknown { what: "heat", pointer: None, .. })
        ));
        // A filter must name something that is there.
        let asked = |id| [("herd_id".to_owned(), id)];
        assert!(limits.first_beyond(&asked(hers.id), &things).is_none());
        assert!(limits.first_beyond(&asked(theirs.id), &things).is_some());
        assert!(limits.first_beyond(&asked(Uuid::now_v7()), &things).is_some());
    }

    #[test]
    fn limits_are_told_in_words() {
        let (herd, tank) = (HerdId::new(), TankId::new());
        assert_eq!(herds(&[herd]).in_words(), format!("the herd {herd}"));
        let both = KeyLimits { tank_ids: Some(TankIds(vec![tank])), ..herds(&[herd, herd]) };
        assert_eq!(both.in_words(), format!("the herds {herd}, {herd} and the tank {tank}"));
    }
}
