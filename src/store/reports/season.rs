//! What there is for a season: straws on hand by type, and what a straw cost last.

use crate::{
    domain::{
        straws::{lot::Cost, semen::SemenType},
        values::{BusinessId, HerdId},
    },
    store::{
        Result, Tx,
        ids::{ids_in, json_ids},
        straws::stock::on_hold,
    },
};

/// Straws of a type.
#[derive(Clone, Debug, PartialEq, sqlx::FromRow)]
pub struct OnHand {
    /// The type.
    pub semen_type: SemenType,
    /// Straws that may be used.
    pub straws: i64,
    /// What a straw of the lot cost that was entered last, of those whose cost is known.
    pub cost: Option<Cost>,
}

macro_rules! on_hand {
    ($herds:expr) => {
        concat!(
            "select y.semen_type,
                    (select cast(coalesce(sum(b.straws), 0) as bigint)
                     from balance b
                     join lot l on l.business_id = b.business_id and l.id = b.lot_id
                     join place p on p.business_id = b.business_id and p.id = b.place_id
                     where b.business_id = $1 and b.straws > 0 and l.semen_type = y.semen_type and l.status = 'usable'
                       and (l.owner_herd_id is null or $2 = '[]' or l.owner_herd_id ",
            $herds,
            ") and ",
            on_hold!("p.tank_id", "p.canister"),
            " is null) as straws,
                    (select x.cost from lot x
                     where x.business_id = $1 and x.semen_type = y.semen_type and x.cost is not null
                     order by x.id desc limit 1) as cost
             from (select 'conventional' as semen_type union all select 'sexed_female' union all select 'sexed_male') as y
             order by y.semen_type"
        )
    };
}

/// Straws of every type that these herds may use, wherever they hang; of all where none is named.
pub async fn on_hand(tx: &mut Tx, business: BusinessId, herds: &[HerdId]) -> Result<Vec<OnHand>> {
    tx.sql_for(on_hand!(ids_in!(sqlite, "$2")), on_hand!(ids_in!(postgres, "$2")))
        .bind(business)
        .bind(json_ids(herds))
        .all()
        .await
}
