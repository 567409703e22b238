//! The bath before the straw: whether a straw may be lifted for this bath, and if not, what makes it right.

use chrono::TimeDelta;
use serde::Serialize;
use utoipa::{IntoParams, ToSchema};

use crate::{
    domain::{
        cautions,
        form::{Fault, InputPath},
        rejection::Rejection,
        straws::{
            lot::{Lot, LotStatus},
            semen::{SemenType, StrawVolume},
            thaw::{
                Advice, BathStep, BathVerdict, InBath, MOST_STRAWS_AT_ONCE, ThawProtocol, judge_bath,
                room_for, straws_in,
            },
        },
        values::{Celsius, HerdId, LotId, Millilitres, Straws, Technician, Timestamp},
    },
    form, text_enum,
};

form! {
    /// A bath, and the straws that are to go into it.
    #[derive(Clone, Debug, IntoParams)]
    #[into_params(parameter_in = Query)]
    pub struct BathQuestion {
        /// The bath's temperature, in degrees Celsius.
        pub bath_temp_c: Celsius,
        /// How much water the bath holds, for advice in millilitres and the number of straws.
        pub bath_volume_ml: Option<Millilitres>,
        /// How warm the water at hand is, for advice in millilitres.
        pub water_temp_c: Option<Celsius>,
        /// Of which lot the straws are to be; its own instruction goes before any other.
        pub lot_id: Option<LotId>,
        /// For which herd; its protocol goes before the default.
        pub herd_id: Option<HerdId>,
        /// Without a lot: the semen type. Where it is not known, what holds for sexed semen.
        pub semen_type: Option<SemenType>,
        /// Where no lot says it: a straw's volume in millilitres. Where it is not known, the longer time and the greater heat.
        pub straw_ml: Option<StrawVolume>,
        /// How many straws are to go in together. Default 1.
        #[param(required = false)]
        pub straws: Straws = Straws::ONE,
        /// Whose straws in the bath count; those that the calling key withdrew for nobody named when not said.
        pub technician: Option<Technician>,
    }
}

text_enum! {
    /// Whether the straws may go into the bath.
    ThawVerdict {
        /// They may: lift them.
        Right = "right",
        /// The bath is too hot.
        TooHot = "too_hot",
        /// The bath is too cold.
        TooCold = "too_cold",
        /// The bath is right, but not for so many at once.
        TooMany = "too_many",
    }
}

text_enum! {
    /// Whose protocol it is.
    RuleSet {
        /// The lot's own instruction, as its supplier prints it.
        Lot = "lot",
        /// The herd's.
        Herd = "herd",
        /// The default.
        Default = "default",
    }
}

/// Whether a straw may be lifted for this bath, and what to do.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct ThawAdvice {
    /// Whether the straws may go in.
    pub verdict: ThawVerdict,
    /// What to do, for a technician who stands before the bath.
    #[schema(max_length = 1000)]
    pub text: String,
    /// The protocol that was used.
    pub protocol: ThawProtocol,
    /// Whose it is.
    pub rule_set: RuleSet,
    /// How much of the water to add, in millilitres, where the bath is not right.
    #[schema(minimum = 1, maximum = 100_000)]
    pub add_ml: Option<i64>,
    /// How much of the bath to take out and put in as much of the water instead, in millilitres.
    #[schema(minimum = 1, maximum = 100_000)]
    pub replace_ml: Option<i64>,
    /// One of the two in steps, with a measurement after each.
    pub steps: Vec<BathStep>,
    /// How long a straw stays in the bath at least, in seconds.
    #[schema(minimum = 1)]
    pub thaw_s: i64,
    /// Within how many seconds of leaving the tank it must be used.
    #[schema(minimum = 1)]
    pub use_within_s: i64,
    /// Until when it must be used if it is lifted at this moment; null unless the verdict is `right`.
    pub use_by: Option<Timestamp>,
    /// The technician's straws that are in the bath, or were and are neither used, discarded nor past their time.
    #[schema(minimum = 0)]
    pub straws_in_bath: i64,
    /// How many such straws may go in now beside them.
    #[schema(minimum = 0, maximum = 10)]
    pub straws_at_once: i64,
    /// What else to heed.
    pub cautions: Vec<String>,
}

/// What is known of the straws that are to be thawed.
#[derive(Debug)]
pub struct Facts {
    /// The lot that was named.
    pub lot: Option<Lot>,
    /// The protocol of the herd that was named.
    pub herds: Option<ThawProtocol>,
    /// The technician's straws that are in the bath.
    pub in_bath: Vec<InBath>,
}

/// Judges the bath.
///
/// # Errors
/// What was said of the straws contradicts the lot.
pub fn advise(asked: &BathQuestion, facts: Facts, now: Timestamp) -> Result<ThawAdvice, Rejection> {
    let Facts { lot, herds, in_bath } = facts;
    let kind = StrawKind::of(asked, lot.as_ref())?;
    let lots = lot.as_ref().and_then(|lot| lot.details.thaw.clone()).map(|own| (RuleSet::Lot, own));
    let (rule_set, protocol) = lots
        .or_else(|| herds.map(|herds| (RuleSet::Herd, herds)))
        .unwrap_or_else(|| (RuleSet::Default, ThawProtocol::default_for(kind.semen_type(), kind.straw)));
    let (straws_in_bath, straws_at_once) =
        (straws_in(&in_bath), room_for(kind.semen_type(), kind.straw, asked.bath_volume_ml, &in_bath));
    let (verdict, advice) = match judge_bath(
        &protocol,
        asked.bath_temp_c,
        asked.bath_volume_ml,
        asked.water_temp_c,
    ) {
        BathVerdict::TooHot(advice) => (ThawVerdict::TooHot, advice),
        BathVerdict::TooCold(advice) => (ThawVerdict::TooCold, advice),
        BathVerdict::Right if asked.straws.get() > straws_at_once => {
            let text = crowded_text(asked.straws, straws_at_once, straws_in_bath);
            (ThawVerdict::TooMany, plain(text))
        }
        BathVerdict::Right => {
            let text = format!(
                "The bath is right. Lift, and have the straw in the bath in seconds; at least {} s there.",
                protocol.min_s
            );
            (ThawVerdict::Right, plain(text))
        }
    };
    let use_within = TimeDelta::seconds(protocol.use_within_s.get());
    Ok(ThawAdvice {
        verdict,
        text: advice.text,
        rule_set,
        add_ml: advice.add_ml,
        replace_ml: advice.replace_ml,
        steps: advice.steps,
        thaw_s: protocol.min_s.get(),
        use_within_s: protocol.use_within_s.get(),
        use_by: (verdict == ThawVerdict::Right).then(|| now.plus(use_within)),
        straws_in_bath,
        straws_at_once,
        cautions: cautions(&kind, rule_set, lot.as_ref()),
        protocol,
    })
}

/// Advice without amounts.
fn plain(text: String) -> Advice {
    Advice { text, add_ml: None, replace_ml: None, steps: Vec::new() }
}

/// Semen type and volume of the straws, where they are known.
struct StrawKind {
    semen: Option<SemenType>,
    straw: Option<StrawVolume>,
}

impl StrawKind {
    /// What the lot says, else what was asked; both where they agree.
    fn of(asked: &BathQuestion, lot: Option<&Lot>) -> Result<Self, Rejection> {
        let lots = lot.map(|lot| &lot.details);
        let mut faults: Vec<Fault> = Vec::new();
        let mut clash = |member: &str, lots: &str| {
            faults.push(InputPath::query().member(member).fault(format!(
                "contradicts the lot, which is {lots}; leave it out, or name the lot that is to be thawed"
            )));
        };
        let semen = lots.map(|lot| lot.semen_type);
        if let (Some(said), Some(is)) = (asked.semen_type, semen)
            && said != is
        {
            clash("semen_type", is.as_str());
        }
        let straw = lots.and_then(|lot| lot.straw_ml);
        if let (Some(said), Some(is)) = (asked.straw_ml, straw)
            && said != is
        {
            clash("straw_ml", &format!("of {} ml", is.ml()));
        }
        if faults.is_empty() {
            Ok(Self { semen: semen.or(asked.semen_type), straw: straw.or(asked.straw_ml) })
        } else {
            Err(Rejection::Invalid(faults))
        }
    }

    /// The semen type; sexed where it is not known, which asks for most care.
    fn semen_type(&self) -> SemenType {
        self.semen.unwrap_or(SemenType::SexedFemale)
    }
}

/// What is said where so many straws may not go in together.
pub fn crowded_text(straws: Straws, at_once: i64, in_bath: i64) -> String {
    let beside = match in_bath {
        0 => String::new(),
        1 => " beside the one that is in the bath or not yet used".to_owned(),
        more => format!(" beside the {more} that are in the bath or not yet used"),
    };
    format!(
        "{straws} at once are too many: at most {at_once} may go in now{beside}. Sexed straws are thawed one at a time (Statham), \
         never over {MOST_STRAWS_AT_ONCE} together and no more than are used in 10-15 min (Dalton); together they must not \
         cool the bath by more than 1 C, nor touch."
    )
}

fn cautions(kind: &StrawKind, rule_set: RuleSet, lot: Option<&Lot>) -> Vec<String> {
    let mut all = Vec::new();
    if let Some(lot) = lot.filter(|lot| lot.details.status != LotStatus::Usable) {
        all.push(format!("The lot is {}: its straws are not to be used.", lot.details.status));
    }
    if kind.semen.is_none() {
        all.push("The semen type is not known: what holds for sexed semen was taken.".to_owned());
    }
    if kind.straw.is_none() {
        all.push(
            "The straws' volume is not known: the longer time and the greater heat were taken.".to_owned(),
        );
    }
    if rule_set == RuleSet::Default {
        all.push(
            "The supplier's printed instruction goes before the default; enter it with the lot.".to_owned(),
        );
    }
    all.push(
        "Check the thermometer against another every 6 months (Nebel, Virginia Cooperative Extension, 1997)."
            .to_owned(),
    );
    all.extend(cautions::THAW.iter().map(ToString::to_string));
    all
}
