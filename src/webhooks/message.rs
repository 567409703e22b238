//! An event as it is sent: CloudEvents 1.0 in structured JSON.
//!
//! The bytes depend on the event alone, so every attempt sends the same.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::domain::{
    values::{BusinessId, MessageId, Timestamp},
    webhooks::event::Written,
};

/// The content type of a message.
pub const MEDIA: &str = "application/cloudevents+json; charset=utf-8";

/// A message: the attributes of CloudEvents 1.0, with `data` as its type has it.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct Message {
    /// `1.0`.
    #[schema(example = "1.0")]
    pub specversion: String,
    /// The event's id; the header `webhook-id` is the same. What came before with this id is the same event: the
    /// delivery is at least once.
    pub id: MessageId,
    /// The business in whose book it happened, as a URN.
    #[schema(example = "urn:uuid:01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa")]
    pub source: String,
    /// What happened.
    #[schema(example = "straw.withdrawn")]
    pub r#type: String,
    /// The address at this service of what it concerns.
    #[schema(example = "/v1/animals/01976f0e-5a52-7c3e-9d61-0c7a51e6b0aa")]
    pub subject: String,
    /// When it happened, as it is on record.
    pub time: Timestamp,
    /// `application/json`.
    #[schema(example = "application/json")]
    pub datacontenttype: String,
    /// The event's number in the business's outbox, with zeros in front so that text sorts as numbers do: the order
    /// in which things were recorded. Without a gap over all events; who asks for some sees gaps.
    #[schema(example = "0000000000000000042")]
    pub sequence: String,
    /// Ids, numbers and places.
    #[schema(value_type = Object)]
    pub data: serde_json::Value,
}

impl Message {
    /// The message that tells of `event` in that business's book.
    pub fn of(business: BusinessId, event: &Written) -> Self {
        Self {
            specversion: "1.0".to_owned(),
            id: event.id,
            source: format!("urn:uuid:{business}"),
            r#type: event.kind().wire(),
            subject: event.subject.clone(),
            time: event.occurred_at,
            datacontenttype: "application/json".to_owned(),
            sequence: format!("{:019}", event.seq),
            data: event.data.clone(),
        }
    }

    /// Its bytes.
    pub fn bytes(&self) -> Vec<u8> {
        serde_json::to_vec(self).unwrap_or_default()
    }
}
