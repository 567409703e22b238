//! A service is recorded.

use crate::{
    book::{
        CommandError,
        alerts::alert,
        command::{Command, CommandContext},
    },
    domain::{
        animals::{
            record_service::{self, Clock, Decision, Facts, NewService},
            service::Service,
        },
        exchange::ade::ItemKind,
        webhooks::event::{self, Event, ServiceRecorded, Subject, Topic},
    },
    store::{self, animals::candidate},
};

impl Command for NewService {
    type Done = Service;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<Service, CommandError> {
        record(self, cx, Clock::Same).await
    }
}

/// Records a service whose time `clock` says.
pub(crate) async fn record(
    new: &NewService,
    cx: &mut CommandContext<'_>,
    clock: Clock,
) -> Result<Service, CommandError> {
    let business = cx.business();
    let withdrawal = match new.withdrawal_id {
        Some(id) => store::straws::withdrawal::find(cx.tx, business, id).await?,
        None => None,
    };
    let asked = candidate::Asked {
        animal: new.animal_id,
        withdrawal: new.withdrawal_id,
        sire: new.sire_id,
        ..candidate::Asked::default()
    };
    let found = candidate::gather(cx.tx, business, asked).await?;
    let donor = match new.donor_id {
        Some(id) => store::animals::animal::find(cx.tx, business, id).await?,
        None => None,
    };
    let donor = donor.map(|donor| donor.details.identifiers);
    let facts = Facts { candidate: found.candidate, withdrawal, sire: found.sire, donor };
    let Decision { service, renumbered, against } = record_service::decide(new, facts, cx.now(), clock)?;
    store::animals::service::write(cx.tx, business, cx.caller.key_id, &service, &renumbered).await?;
    if let Some(id) = service.withdrawal_id {
        cx.touched.withdrawal(id);
    }
    if let Some((withdrawal, deviations)) = against {
        alert::overridden(cx, &withdrawal, &deviations).await?;
    }
    store::webhooks::outbox::write(cx.tx, business, cx.now, event_of(&service));
    Ok(service)
}

/// What others are told of a service.
fn event_of(service: &Service) -> Event {
    let data = ServiceRecorded {
        service_id: service.id,
        animal_id: service.animal_id,
        herd_id: service.herd_id,
        withdrawal_id: service.withdrawal_id,
        lot_id: service.lot.as_ref().map(|lot| lot.id),
        sire_id: service.sire.as_ref().map(|sire| sire.id),
        semen_type: service.semen_type,
        kind: service.kind,
        straws: service.straws,
        service_number: service.service_number,
        rank: service.rank,
        deviations: event::kinds_of(&service.deviations),
        ade: ItemKind::Insemination.address(service.herd_id, service.id.0),
    };
    Event {
        kind: Topic::ServiceRecorded.happened(),
        subject: Subject::Animal(service.animal_id),
        occurred_at: service.served_at,
        herd: Some(service.herd_id),
        tank: service.place.as_ref().map(|place| place.tank_id),
        data: event::data(&data),
    }
}
