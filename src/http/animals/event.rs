//! What happens to an animal besides services: heats, pregnancy checks, calvings, abortions, and
//! whether she may be bred.
//!
//! The five are reported and listed alike and stand in one table; each has a contract of its own, above all its
//! own name for the moment, and so a struct of its own for what is answered.

use axum::{Json, extract::State, response::Response};
use serde::Serialize;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::{router::OpenApiRouter, routes};

use crate::{
    book::animals::report_event::Report,
    domain::{
        animals::{
            event::{Event, FittingService},
            history::{AnimalEvent, CheckMethod, CheckResult, HappeningKind, HeatMethod},
        },
        cautions,
        values::{AnimalId, Calves, EventId, HerdId, Note, PregnancyDays, Technician, Timestamp},
    },
    form,
    http::{
        App,
        access::limits::Within,
        answer::{WithCautions, created},
        docs::{IdempotencyKey, Problems},
        extract::{CommandRequest, Id, Optional, Permit, Read, Report as MayReport},
        page::{Listing, Page, PageParams},
        problem::Problem,
    },
    store,
};

form! {
    /// Which events a list shows.
    #[derive(IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct EventFilter {
        /// Only of this animal.
        pub animal_id: Option<AnimalId>,
        /// Only of this herd.
        pub herd_id: Option<HerdId>,
        /// Only what happened at this moment or later.
        pub from: Option<Timestamp>,
        /// Only what happened before this moment.
        pub to: Option<Timestamp>,
    }
}

impl EventFilter {
    fn wanted(&self) -> store::animals::event::Wanted {
        let Self { animal_id, herd_id, from, to } = *self;
        store::animals::event::Wanted { animal: animal_id, herd: herd_id, from, to }
    }
}

macro_rules! events {
    (
        $(#[$new_doc:meta])* $new:ident, $(#[$view_doc:meta])* $view:ident, in $module:ident,
        kind $kind:ident, path $path:tt, one $one:tt, tag $tag:tt,
        time $(#[$time_doc:meta])* $time:ident,
        fields { $($(#[$field_doc:meta])* $field:ident: $type:ty $(= $default:expr)?,)* },
        what $what:expr,
        shown $pattern:pat,
        $(answer { $($(#[$answer_doc:meta])* $answer:ident: $answer_type:ty,)* },)?
        report $report:tt $report_summary:tt $report_text:tt, example $example:tt,
        cautions $cautions:expr,
        list $list:tt $list_summary:tt,
        read $read:tt $read_summary:tt
    ) => {
        form! {
            $(#[$new_doc])*
            #[derive(Clone, ToSchema)]
            pub struct $new {
                /// To whom.
                pub animal_id: AnimalId,
                $(#[$time_doc])*
                pub $time: Option<Timestamp>,
                $($(#[$field_doc])* pub $field: $type $(= $default)?,)*
                /// Who reports it.
                pub technician: Option<Technician>,
                /// A remark.
                pub note: Option<Note>,
            }
        }

        $(#[$view_doc])*
        #[derive(Serialize, ToSchema)]
        pub struct $view {
            /// Its id.
            id: EventId,
            /// The animal.
            animal_id: AnimalId,
            /// Her herd then.
            herd_id: HerdId,
            /// When.
            $time: Timestamp,
            $($(#[$field_doc])* $field: $type,)*
            $($($(#[$answer_doc])* $answer: $answer_type,)*)?
            /// Who reported it.
            technician: Option<Technician>,
            /// A remark.
            note: Option<Note>,
            /// When it was found to have been entered by mistake; then it does not count.
            reversed_at: Option<Timestamp>,
            /// What the caller should know.
            warnings: Vec<String>,
            /// When it was recorded.
            recorded_at: Timestamp,
        }

        impl $view {
            /// The event in its own words; `None` for one of another kind.
            pub fn of(event: Event) -> Option<Self> {
                let $pattern = event.what else { return None };
                Some(Self {
                    id: event.id,
                    animal_id: event.animal_id,
                    herd_id: event.herd_id,
                    $time: event.happened_at,
                    $($field,)*
                    $($($answer: event.$answer,)*)?
                    technician: event.technician,
                    note: event.note,
                    reversed_at: event.reversed_at,
                    warnings: event.warnings,
                    recorded_at: event.recorded_at,
                })
            }
        }

        mod $module {
            use super::*;

            #[utoipa::path(post, path = $path, operation_id = $report, tag = $tag, summary = $report_summary,
                description = $report_text,
                request_body(content = $new, example = json!($example)),
                params(IdempotencyKey),
                responses(
                    (status = 201, description = "On record.", body = WithCautions<$view>,
                     headers(("Location" = String, description = "Where it is to be found."))),
                    Problems))]
            pub async fn report(
                State(app): State<App>,
                command: CommandRequest<$new, MayReport, Optional, Within>,
            ) -> Result<Response, Problem> {
                let new = command.body.clone();
                let what: fn(&$new) -> AnimalEvent = $what;
                let act = Report {
                    animal_id: new.animal_id,
                    what: what(&new),
                    at: new.$time,
                    at_field: stringify!($time),
                    technician: new.technician,
                    note: new.note,
                };
                app.perform(command, act, |event| {
                    let location = format!(concat!($path, "/{}"), event.id);
                    created(location, &WithCautions { done: $view::of(event), cautions: $cautions })
                })
                .await
            }

            #[utoipa::path(get, path = $path, operation_id = $list, tag = $tag, summary = $list_summary,
                params(PageParams, EventFilter),
                responses((status = 200, description = "A page of them, in the order of entry.", body = Page<$view>), Problems))]
            pub async fn list(
                State(app): State<App>,
                caller: Permit<Read, Within>,
                listing: Listing<EventFilter>,
            ) -> Result<Response, Problem> {
                let mut tx = app.book.db.read().await?;
                let mut wanted = listing.filter.wanted();
                wanted.herd = caller.leading_herd(wanted.herd);
                let kind = HappeningKind::$kind;
                let page = listing.by_id()?;
                let rows = store::animals::event::list(&mut tx, caller.business_id, kind, &wanted, page).await?;
                let rows = store::animals::event::in_full(&mut tx, caller.business_id, kind, rows).await?;
                let rows = rows.into_iter().filter_map($view::of).collect();
                let place = |event: &$view| event.id.to_string();
                Ok(listing.list_within(rows, place, |event| caller.may_see_herd(event.herd_id)))
            }

            #[utoipa::path(get, path = concat!($path, "/{id}"), operation_id = $read, tag = $tag, summary = $read_summary,
                params(("id" = uuid::Uuid, Path, description = "Its id.")),
                responses((status = 200, description = "As it was reported.", body = $view), Problems))]
            pub async fn read(
                State(app): State<App>,
                caller: Permit<Read, Within>,
                Id(id): Id,
            ) -> Result<Json<$view>, Problem> {
                let mut tx = app.book.db.read().await?;
                let event = store::animals::event::find(&mut tx, caller.business_id, EventId(id)).await?;
                let kind = HappeningKind::$kind;
                let rows = event.into_iter().collect();
                let rows = store::animals::event::in_full(&mut tx, caller.business_id, kind, rows).await?;
                let view = rows.into_iter().next().and_then($view::of);
                view.map(Json).ok_or_else(|| {
                    Problem::not_there($one, id)
                })
            }
        }
    };
}

events! {
    /// A heat that was found.
    NewHeat,
    /// A heat on record.
    Heat, in heats,
    kind Heat, path "/v1/heats", one "heat", tag "Animals' events",
    time
        /// When she stood to be mounted; of a sensor, when it passed its threshold; of a timed protocol, the second GnRH; now
        /// when not said.
        standing_at,
    fields {
        /// How it was found.
        #[schema(required = false)]
        method: HeatMethod = HeatMethod::Seen,
    },
    what |new| AnimalEvent::Heat { method: new.method },
    shown AnimalEvent::Heat { method },
    report "create_heat" "Record a heat"
        "Standing heat, or what stands for it, times the insemination by how it was found (`method`): the window appears in the \
         animal's next-service.",
        example {"animal_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa", "standing_at": "2026-03-02T06:10:00+01:00", "method": "seen"},
    cautions &[],
    list "list_heats" "List heats",
    read "get_heat" "Get a heat"
}

events! {
    /// A pregnancy check that was made.
    NewPregnancyCheck,
    /// A pregnancy check on record.
    PregnancyCheck, in pregnancy_checks,
    kind PregnancyCheck, path "/v1/pregnancy-checks", one "pregnancy check", tag "Animals' events",
    time
        /// When; now when not said.
        checked_at,
    fields {
        /// How.
        method: CheckMethod,
        /// What was found.
        result: CheckResult,
        /// How many days she is pregnant, by size or age of the calf: that decides to which service the check belongs.
        days_pregnant: Option<PregnancyDays>,
    },
    what |new| AnimalEvent::PregnancyCheck {
        method: new.method,
        result: new.result,
        days_pregnant: new.days_pregnant,
    },
    shown AnimalEvent::PregnancyCheck { method, result, days_pregnant },
    answer {
        /// The service to which it belongs, by all that is on record now; null when none fits or it was too early.
        fits: Option<FittingService>,
    },
    report "create_pregnancy_check" "Record a pregnancy check"
        "She counts as pregnant from a check that finds her so until she calves, aborts or is found empty, at most 300 days. The \
         check belongs to the service that fits: by `days_pregnant` where it is told, else to the last for which its method was not \
         too early. One that is too early for all is kept with a warning.",
        example {"animal_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa", "checked_at": "2026-03-02T09:00:00+01:00", "method": "ultrasound", "result": "pregnant"},
    cautions cautions::CHECK,
    list "list_pregnancy_checks" "List pregnancy checks",
    read "get_pregnancy_check" "Get a pregnancy check"
}

events! {
    /// A calving.
    NewCalving,
    /// A calving on record.
    Calving, in calvings,
    kind Calving, path "/v1/calvings", one "calving", tag "Animals' events",
    time
        /// When; now when not said.
        calved_at,
    fields {
        /// How many calves; of twins the due date moves.
        calves: Option<Calves>,
    },
    what |new| AnimalEvent::Calving { calves: new.calves },
    shown AnimalEvent::Calving { calves },
    report "create_calving" "Record a calving"
        "A new cycle begins: her next service is number 1 again, and a heifer becomes a cow.",
        example {"animal_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa", "calved_at": "2026-03-02T03:40:00+01:00"},
    cautions cautions::CALVING,
    list "list_calvings" "List calvings",
    read "get_calving" "Get a calving"
}

events! {
    /// An abortion.
    NewAbortion,
    /// An abortion on record.
    Abortion, in abortions,
    kind Abortion, path "/v1/abortions", one "abortion", tag "Animals' events",
    time
        /// When; now when not said.
        aborted_at,
    fields {
        /// Whether a new cycle begins with it, as after a calving, because she came into milk. Default false.
        #[schema(required = false)]
        opens_cycle: bool = false,
    },
    what |new| AnimalEvent::Abortion { opens_cycle: new.opens_cycle },
    shown AnimalEvent::Abortion { opens_cycle },
    report "create_abortion" "Record an abortion"
        "Abortions can be infectious for people and herd: wear gloves, isolate her, and report it to the veterinarian as \
         local law demands.",
        example {"animal_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa", "aborted_at": "2026-03-02T03:40:00+01:00", "opens_cycle": false},
    cautions cautions::CALVING,
    list "list_abortions" "List abortions",
    read "get_abortion" "Get an abortion"
}

events! {
    /// A decision whether she may be bred.
    NewDoNotBreed,
    /// A decision on record.
    DoNotBreedDecision, in do_not_breed,
    kind DoNotBreed, path "/v1/do-not-breed", one "decision", tag "Animals' events",
    time
        /// When it was decided; now when not said.
        decided_at,
    fields {
        /// True: she is not to be bred; false: she may be again. Default true.
        #[schema(required = false)]
        do_not_breed: bool = true,
    },
    what |new| AnimalEvent::DoNotBreed { do_not_breed: new.do_not_breed },
    shown AnimalEvent::DoNotBreed { do_not_breed },
    report "create_do_not_breed" "Record a do-not-breed decision"
        "The last decision counts.",
        example {"animal_id": "01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa", "do_not_breed": true, "note": "Lame; to be sold."},
    cautions &[],
    list "list_do_not_breed" "List do-not-breed decisions",
    read "get_do_not_breed" "Get a do-not-breed decision"
}

/// The routes, each with its description.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(heats::list, heats::report))
        .routes(routes!(heats::read))
        .routes(routes!(pregnancy_checks::list, pregnancy_checks::report))
        .routes(routes!(pregnancy_checks::read))
        .routes(routes!(calvings::list, calvings::report))
        .routes(routes!(calvings::read))
        .routes(routes!(abortions::list, abortions::report))
        .routes(routes!(abortions::read))
        .routes(routes!(do_not_breed::list, do_not_breed::report))
        .routes(routes!(do_not_breed::read))
}
