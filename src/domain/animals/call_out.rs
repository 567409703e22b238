//! A call-out: a farm asks for the technician.

use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    domain::{
        animals::animal::Animal,
        form::{Fault, InputPath},
        now::Now,
        rejection::Rejection,
        values::{
            AnimalId, CallOutId, Code, HerdId, KeyId, Name, Note, Reason, ServiceId, TimeZone, Timestamp,
        },
    },
    form, text_enum,
};

text_enum! {
    /// Whether a call-out still waits.
    CallOutState {
        /// It waits.
        Open = "open",
        /// Every animal that it names was served, or somebody closed it.
        Done = "done",
    }
}

form! {
    /// A farm asks for the technician: for animals, or in words.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewCallOut, check NewCallOut::check {
        /// The herd.
        pub herd_id: HerdId,
        /// For whom; or say it in `text`.
        #[schema(required = false)]
        pub animal_ids: Vec<AnimalId> = Vec::new(),
        /// What the farm says.
        #[schema(example = "Heat seen this morning.")]
        pub text: Option<Note>,
        /// By when somebody should come.
        pub wanted_by: Option<Timestamp>,
        /// Who asks.
        pub caller: Option<Name>,
        /// Where he can be reached.
        pub telephone: Option<Code>,
        /// When the farm asked; now when not said.
        pub asked_at: Option<Timestamp>,
    }
}

impl NewCallOut {
    fn check(&self, spot: &InputPath, faults: &mut Vec<Fault>) {
        if self.animal_ids.is_empty() && self.text.is_none() {
            faults.push(spot.member("text").fault("is required; or animal_ids instead"));
        }
        for (n, id) in self.animal_ids.iter().enumerate() {
            if self.animal_ids[..n].contains(id) {
                faults.push(spot.member("animal_ids").element(n).fault("stands in the list twice"));
            }
        }
    }
}

form! {
    /// A call-out is closed by hand.
    #[derive(Clone, Debug, ToSchema)]
    pub struct NewClosing {
        /// Why.
        #[schema(example = "The farm rang: not in heat after all.")]
        pub reason: Reason,
    }
}

/// An animal for whom a farm asks.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema, sqlx::FromRow)]
pub struct CalledFor {
    /// The animal.
    pub animal_id: AnimalId,
    /// Her number in her herd.
    pub animal_number: Code,
    /// The service that came of it.
    pub service_id: Option<ServiceId>,
}

/// A call-out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema, sqlx::FromRow)]
pub struct CallOut {
    /// Its id.
    pub id: CallOutId,
    /// The herd.
    pub herd_id: HerdId,
    /// What it is called.
    pub herd_name: Name,
    /// For whom, in the order of their ids.
    #[sqlx(skip)]
    pub animals: Vec<CalledFor>,
    /// What the farm says.
    pub text: Option<Note>,
    /// By when somebody should come.
    pub wanted_by: Option<Timestamp>,
    /// Who asks.
    pub caller: Option<Name>,
    /// Where he can be reached.
    pub telephone: Option<Code>,
    /// When the farm asked.
    pub asked_at: Timestamp,
    /// Whether it still waits.
    pub state: CallOutState,
    /// When the last animal was served, or somebody closed it.
    pub closed_at: Option<Timestamp>,
    /// Why somebody closed it; null when its animals were served.
    pub close_reason: Option<Reason>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// The key that recorded it.
    pub recorded_by: KeyId,
    /// What the caller should know; only the answer to a command has any.
    #[sqlx(skip)]
    pub warnings: Vec<String>,
}

/// A call-out that waits, and where its herd's days begin.
#[derive(Clone, Debug, sqlx::FromRow)]
pub struct WaitingCallOut {
    /// The call-out.
    #[sqlx(flatten)]
    pub call_out: CallOut,
    /// The herd's time zone.
    pub time_zone: TimeZone,
}

/// The call-out as it is entered. `animals` are those of the named ones that are known.
///
/// # Errors
/// The herd or an animal is not known, an animal is of another herd, or the time lies far ahead.
pub fn decide(
    new: &NewCallOut,
    herd_name: Option<Name>,
    animals: &[Animal],
    by: KeyId,
    now: Now,
) -> Result<CallOut, Rejection> {
    let (asked_at, ahead) = now.client_time(new.asked_at, "asked_at")?;
    let unknown = |what, id: Uuid, pointer: String| Rejection::Unknown { what, id, pointer: Some(pointer) };
    let herd_name = herd_name.ok_or_else(|| unknown("herd", new.herd_id.0, "#/herd_id".to_owned()))?;
    let mut called_for = Vec::with_capacity(new.animal_ids.len());
    for (n, id) in new.animal_ids.iter().enumerate() {
        let field = format!("animal_ids/{n}");
        let animal = animals.iter().find(|animal| animal.id == *id);
        let animal = animal.ok_or_else(|| unknown("animal", id.0, format!("#/{field}")))?;
        if animal.details.herd_id != new.herd_id {
            return Err(Rejection::Invalid(vec![Fault::at(&field, "is an animal of another herd")]));
        }
        let animal_number = animal.details.number.clone();
        called_for.push(CalledFor { animal_id: *id, animal_number, service_id: None });
    }
    called_for.sort_by_key(|one| one.animal_id);
    Ok(CallOut {
        id: CallOutId::new(),
        herd_id: new.herd_id,
        herd_name,
        animals: called_for,
        text: new.text.clone(),
        wanted_by: new.wanted_by,
        caller: new.caller.clone(),
        telephone: new.telephone.clone(),
        asked_at,
        state: CallOutState::Open,
        closed_at: None,
        close_reason: None,
        recorded_at: now.now,
        recorded_by: by,
        warnings: ahead.into_iter().collect(),
    })
}

impl CallOut {
    /// Somebody closes it. What is closed stays as it was closed: of two who close it the first is kept.
    #[must_use]
    pub fn closed(self, closing: &NewClosing, now: Timestamp) -> Self {
        if self.state == CallOutState::Done {
            return self;
        }
        Self {
            state: CallOutState::Done,
            closed_at: Some(now),
            close_reason: Some(closing.reason.clone()),
            ..self
        }
    }

    /// One of its animals was served. It is done with the last of them; a service from before the farm asked is none that it
    /// asked for.
    #[must_use]
    pub fn served(mut self, animal: AnimalId, service: ServiceId, served_at: Timestamp) -> Self {
        if self.state == CallOutState::Done || served_at < self.asked_at {
            return self;
        }
        for one in self.animals.iter_mut().filter(|one| one.animal_id == animal) {
            one.service_id.get_or_insert(service);
        }
        if self.animals.iter().all(|one| one.service_id.is_some()) {
            self.state = CallOutState::Done;
            self.closed_at = Some(served_at);
        }
        self
    }

    /// A service that came of it was entered by mistake; `instead` is her first other one since the farm asked, where there is
    /// one. What was done by that service waits again; what somebody closed stays closed.
    #[must_use]
    pub fn unserved(mut self, service: ServiceId, instead: Option<ServiceId>) -> Self {
        for one in self.animals.iter_mut().filter(|one| one.service_id == Some(service)) {
            one.service_id = instead;
        }
        let waits = self.animals.iter().any(|one| one.service_id.is_none());
        if waits && self.state == CallOutState::Done && self.close_reason.is_none() {
            self.state = CallOutState::Open;
            self.closed_at = None;
        }
        self
    }
}

#[cfg(test)]
mod tests {
    use chrono::{DateTime, TimeDelta};
    use proptest::prelude::*;

    use super::*;

    fn call_out(animals: usize) -> CallOut {
        let at = Timestamp::from(DateTime::UNIX_EPOCH);
        let named = |n: usize| CalledFor {
            animal_id: AnimalId(Uuid::from_u128(n as u128)),
            animal_number: Code::parse("1").unwrap(),
            service_id: None,
        };
        CallOut {
            id: CallOutId::new(),
            herd_id: HerdId::new(),
            herd_name: Name::parse("Lower Meadow").unwrap(),
            animals: (0..animals).map(named).collect(),
            text: None,
            wanted_by: None,
            caller: None,
            telephone: None,
            asked_at: at,
            state: CallOutState::Open,
            closed_at: None,
            close_reason: None,
            recorded_at: at,
            recorded_by: KeyId::new(),
            warnings: Vec::new(),
        }
    }

    proptest! {
        /// It is done exactly when each animal was served since the farm asked, whatever else was served meanwhile.
        #[test]
        fn it_is_done_with_the_last_animal(
            named in 1..4_usize,
            services in prop::collection::vec((0..6_usize, -2..9_i64), 0..12),
        ) {
            let mut it = call_out(named);
            let at = |hours| it.asked_at.plus(TimeDelta::hours(hours));
            let times: Vec<_> = services.iter().map(|(animal, hours)| (*animal, at(*hours))).collect();
            let asked_at = it.asked_at;
            for (animal, served_at) in &times {
                it = it.served(AnimalId(Uuid::from_u128(*animal as u128)), ServiceId::new(), *served_at);
            }
            let served = |n| times.iter().any(|(animal, at)| *animal == n && *at >= asked_at);
            prop_assert_eq!(it.state == CallOutState::Done, (0..named).all(served));
            prop_assert_eq!(it.closed_at.is_some(), it.state == CallOutState::Done);
        }

        /// Whatever is taken back again, it waits exactly for those who have no service.
        #[test]
        fn it_waits_again_for_whom_it_was_not(
            named in 1..4_usize,
            acts in prop::collection::vec((0..4_usize, any::<bool>(), any::<bool>()), 0..12),
        ) {
            let mut it = call_out(named);
            let at = it.asked_at;
            for (animal, serves, has_another) in acts {
                let id = AnimalId(Uuid::from_u128(animal as u128));
                let of_it = it.animals.iter().find(|one| one.animal_id == id).and_then(|one| one.service_id);
                it = match of_it {
                    Some(service) if !serves => it.unserved(service, has_another.then(ServiceId::new)),
                    _ => it.served(id, ServiceId::new(), at),
                };
                let all = it.animals.iter().all(|one| one.service_id.is_some());
                prop_assert_eq!(it.state == CallOutState::Done, all);
                prop_assert_eq!(it.closed_at.is_some(), all);
            }
        }
    }

    #[test]
    fn what_somebody_closed_stays_closed() {
        let service = ServiceId::new();
        let at = Timestamp::from(DateTime::UNIX_EPOCH);
        let closing = NewClosing { reason: Reason::parse("Not in heat after all.").unwrap() };
        let two = call_out(2).served(AnimalId(Uuid::from_u128(0)), service, at).closed(&closing, at);
        let two = two.unserved(service, None);
        assert_eq!((two.state, two.animals[0].service_id), (CallOutState::Done, None));
    }
}
