//! What hangs in the tanks: each line a delivery of one lot to one place.

use std::collections::HashMap;

use crate::{
    book::{
        exchange::import::{
            Failure, Taking,
            line::{InternationalId, Json, UniformCode, When},
            lots::Lots,
            register::{self, Register},
            sheet::{Line, Sheet},
            sires::{SireLine, Sires, codes},
        },
        lookup,
    },
    domain::{
        animals::herd::Herd,
        identifiers::Identifiers,
        nitrogen::tank::Tank,
        straws::{
            lot::{Cost, LotStatus},
            place::{Cane, Goblet, Place},
            posting::canister_exists,
            receive::NewReceipt,
            semen::{SemenType, StrawVolume},
            sire::Purpose,
            thaw::ThawProtocol,
        },
        values::{Canister, Code, Day, HerdId, LotId, Name, Note, Percent, SireId, Straws, TimeZone},
    },
    form,
    store::{self, straws},
};

form! {
    /// A line of the file.
    #[derive(Clone, Debug)]
    pub struct InventoryLine {
        /// The tank.
        pub tank_name: Name,
        /// The canister.
        pub canister: Canister,
        /// The cane.
        pub cane: Cane,
        /// The goblet.
        pub goblet: Goblet,
        /// The sire.
        pub sire_name: Option<Name>,
        /// His breed.
        pub sire_breed: Option<Code>,
        /// What his calves are kept for.
        pub sire_purpose: Option<Purpose>,
        /// His international ID.
        pub sire_international_id: Option<InternationalId>,
        /// His uniform code.
        pub sire_uniform_code: Option<UniformCode>,
        /// The semen type.
        pub semen_type: SemenType,
        /// The batch.
        pub batch: Option<Code>,
        /// The day of collection.
        pub collected_on: Option<Day>,
        /// Where it was collected.
        pub collection_centre: Option<Name>,
        /// The straw's volume.
        pub straw_ml: Option<StrawVolume>,
        /// The share of the stated sex.
        pub sexed_percentage: Option<Percent>,
        /// Whether the straws may be used.
        pub status: Option<LotStatus>,
        /// The herd whose straws they are.
        pub owner_herd_name: Option<Name>,
        /// How many.
        pub straws: Straws,
        /// When they came.
        pub received_at: Option<When>,
        /// All the sire's identifiers.
        pub sire_identifiers: Option<Json<Identifiers>>,
        /// What a straw cost.
        pub cost: Option<Json<Cost>>,
        /// The supplier's thawing instruction.
        pub thaw: Option<Json<ThawProtocol>>,
        /// Which lot it was where the file comes from.
        pub lot_id: Option<LotId>,
        /// Which sire it was there.
        pub sire_id: Option<SireId>,
    }
}

impl InventoryLine {
    fn sire(&self) -> SireLine {
        let all = self.sire_identifiers.iter().flat_map(|all| all.0.iter().cloned());
        SireLine {
            name: self.sire_name.clone(),
            breed: self.sire_breed.clone(),
            purpose: self.sire_purpose,
            codes: codes([
                self.sire_international_id
                    .iter()
                    .map(|code| ("sire_international_id", code.0.clone()))
                    .collect(),
                self.sire_uniform_code.iter().map(|code| ("sire_uniform_code", code.0.clone())).collect(),
                all.map(|code| ("sire_identifiers", code)).collect(),
            ]),
            origin: self.sire_id,
            ..SireLine::default()
        }
    }
}

/// What the book holds that a line can name.
struct Inventory {
    tanks: Register<Tank>,
    herds: Register<Herd>,
    zones: HashMap<HerdId, TimeZone>,
    sires: Sires,
    lots: Lots,
    note: Note,
}

/// Takes in every line.
pub async fn take<P: FnMut(u64)>(taking: &mut Taking<'_, P>, sheet: &mut Sheet) -> Result<(), Failure> {
    let business = taking.business();
    let tx = &mut *taking.cx.tx;
    let herds = register::herds(tx, business).await?;
    let mut inventory = Inventory {
        tanks: register::tanks(tx, business).await?,
        zones: herds.all().iter().map(|herd| (herd.id, herd.details.time_zone)).collect(),
        herds,
        sires: Sires::of(tx, business).await?,
        lots: Lots::of(tx, business).await?,
        note: Note::parse("imported").map_err(Failure::Unusable)?,
    };
    while let Some(line) = sheet.next(&mut taking.faults).map_err(Failure::Unusable)? {
        taking.count();
        inventory.receive(taking, &line).await?;
    }
    Ok(())
}

impl Inventory {
    /// Receives the straws of a line; what is wrong with it is noted.
    async fn receive<P: FnMut(u64)>(&mut self, taking: &mut Taking<'_, P>, line: &Line) -> store::Result<()> {
        let (business, number) = (taking.business(), line.number);
        let Some(said) = line.read::<InventoryLine>(&mut taking.faults) else { return Ok(()) };
        let tank = self.tanks.called(&said.tank_name);
        let tank = tank.map_err(|wrong| taking.faults.at(number, "tank_name", wrong));
        if let Ok(tank) = tank {
            taking.heed(
                number,
                canister_exists(&tank.details.name, tank.details.canisters, said.canister, "canister"),
            );
        }
        let zone = tank.ok().and_then(|tank| self.zones.get(&tank.details.herd_id?)).copied();
        let told = said.received_at.map(|when| when.moment(zone.unwrap_or(TimeZone::UTC)));
        let received = taking.heed(number, lookup::client_time(told, &taking.cx, "received_at"));
        let sire = self.sires.meant(taking, number, &said.sire()).await?;
        if sire == Ok(None) {
            taking.faults.at(number, "sire_name", "is required, or an identifier of a sire in the book");
        }
        let Ok(Some(sire)) = sire else { return Ok(()) };
        let owner = said.owner_herd_name.as_ref().map(|name| self.herds.called(name).map(|herd| herd.id));
        let owner = owner.transpose().map_err(|wrong| taking.faults.at(number, "owner_herd_name", wrong));
        let Ok(owner) = owner else { return Ok(()) };
        let Some(lot_id) = self.lots.meant(taking, number, sire, owner, &said).await? else { return Ok(()) };
        let (Ok(tank), Some((occurred_at, _))) = (tank, received) else { return Ok(()) };
        if said.canister > tank.details.canisters {
            return Ok(());
        }

        let place = Place { tank_id: tank.id, canister: said.canister, cane: said.cane, goblet: said.goblet };
        let (_, to) = straws::place::stock_at(taking.cx.tx, business, lot_id, &place).await?;
        let receipt = NewReceipt {
            lot_id,
            place,
            straws: said.straws,
            received_at: told,
            technician: None,
            note: Some(self.note.clone()),
        };
        taking.cx.post(receipt.posting(&to, occurred_at)).await?;
        taking.summary.receipts += 1;
        taking.summary.straws += said.straws.get();
        Ok(())
    }
}
