//! What is charged.

use crate::{
    book::{
        CommandError,
        catalogue::check_version,
        command::{Command, CommandContext},
    },
    domain::reports::charges::{PriceList, PriceListDetails, Prices},
    store::reports::charges,
};

/// Sets the price list anew.
#[derive(Clone, Debug)]
pub struct SetPriceList {
    /// The prices.
    pub details: PriceListDetails,
    /// The versions of which one must still be in the book.
    pub if_match: Option<Vec<String>>,
}

impl Command for SetPriceList {
    type Done = PriceList;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<PriceList, CommandError> {
        let (business, by, now) = (cx.business(), cx.caller.key_id, cx.now);
        if self.if_match.is_some() {
            let before = charges::price_list(cx.tx, business).await?;
            check_version(self.if_match.as_deref(), &before)?;
        }
        charges::set_price_list(cx.tx, business, by, now, &self.details).await?;
        let PriceListDetails { currency, items } = self.details.clone();
        Ok(PriceList { currency, items: Prices(items), changed_at: Some(now) })
    }
}
