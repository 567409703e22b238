//! A liquid-nitrogen tank.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{
    form::{Fault, Spot},
    values::{Canister, DepthMm, HerdId, Litres, LitresPerDay, Name, TankId, Timestamp},
};
use crate::form;

form! {
    /// What is said of a tank.
    #[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema, sqlx::FromRow)]
    pub struct TankDetails, check TankDetails::check {
        /// What people call it.
        #[schema(example = "Dairy room")]
        pub name: Name,
        /// The herd whose own tank it is; left out for the technician's.
        pub herd_id: Option<HerdId>,
        /// How many canisters hang in it, numbered from 1. Default 6.
        #[schema(required = false)]
        pub canisters: Canister = Canister::SIX,
        /// Liquid nitrogen that it holds when full, in litres.
        #[schema(example = 20.5)]
        pub capacity_l: Option<Litres>,
        /// Depth of liquid nitrogen when full, in millimetres.
        #[schema(example = 430)]
        pub full_depth_mm: Option<DepthMm>,
        /// Depth below which it must not fall, in millimetres.
        #[schema(example = 150)]
        pub min_depth_mm: Option<DepthMm>,
        /// Its rated evaporation, unopened, in litres a day.
        #[schema(example = 0.11)]
        pub static_loss_l_per_day: Option<LitresPerDay>,
    }
}

impl TankDetails {
    fn check(&self, spot: &Spot, faults: &mut Vec<Fault>) {
        if self.full_depth_mm.is_some_and(|full| full.get() == 0) {
            faults.push(spot.member("full_depth_mm").fault("must be more than 0"));
        }
        if let (Some(min), Some(full)) = (self.min_depth_mm, self.full_depth_mm)
            && min >= full
        {
            faults.push(
                spot.member("min_depth_mm")
                    .fault(format!("must be less than full_depth_mm, which is {full}")),
            );
        }
    }
}

/// A tank.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema, sqlx::FromRow)]
pub struct Tank {
    /// Its id.
    pub id: TankId,
    #[allow(missing_docs)]
    #[serde(flatten)]
    #[sqlx(flatten)]
    pub details: TankDetails,
    /// When it was entered.
    pub created_at: Timestamp,
}
