//! Secrets and signatures of Standard Webhooks 1.0.0: HMAC-SHA256 over `{id}.{timestamp}.{body}`.

use std::fmt;

use base64::{Engine as _, prelude::BASE64_STANDARD};
use hmac::{Hmac, Mac as _};
use sha2::Sha256;

/// How a secret begins, so that people and scanners for leaked secrets know it.
const PREFIX: &str = "whsec_";

/// Random bytes of a new secret; the standard asks for 24 to 64.
const RANDOM: usize = 32;

/// How far a message's time may be from the receiver's clock, in seconds, as the standard's libraries have it.
const TOLERANCE_S: i64 = 300;

/// The header with the message's id.
pub const ID: &str = "webhook-id";
/// The header with the attempt's time, in seconds since 1970.
pub const TIMESTAMP: &str = "webhook-timestamp";
/// The header with the signatures.
pub const SIGNATURE: &str = "webhook-signature";

/// A secret that sender and receiver share.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(Vec<u8>);

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(not shown)")
    }
}

impl Secret {
    /// A new secret from the system's random numbers.
    ///
    /// # Errors
    /// The system has none to give.
    pub fn random() -> Result<Self, getrandom::Error> {
        let mut bytes = vec![0; RANDOM];
        getrandom::fill(&mut bytes)?;
        Ok(Self(bytes))
    }

    /// Reads `whsec_` with base64 behind it.
    ///
    /// # Errors
    /// What is wrong; without the secret itself.
    pub fn parse(text: &str) -> Result<Self, String> {
        let encoded = text.trim().strip_prefix(PREFIX).ok_or("a secret begins with whsec_")?;
        let bytes = BASE64_STANDARD.decode(encoded).map_err(|_| "a secret is base64 after whsec_")?;
        // Published test vectors have 24 bytes; shorter ones can be guessed.
        if !(24..=64).contains(&bytes.len()) {
            return Err("a secret has 24 to 64 bytes".to_owned());
        }
        Ok(Self(bytes))
    }

    /// The secret as it is handed to the receiver.
    pub fn reveal(&self) -> String {
        format!("{PREFIX}{}", BASE64_STANDARD.encode(&self.0))
    }

    /// The signature of a message, `v1,` and base64.
    pub fn sign(&self, id: &str, timestamp: i64, body: &[u8]) -> String {
        format!("v1,{}", BASE64_STANDARD.encode(self.mac(id, timestamp, body).finalize().into_bytes()))
    }

    fn mac(&self, id: &str, timestamp: i64, body: &[u8]) -> Hmac<Sha256> {
        // RFC 2104: a key of any length will do.
        let mut mac = Hmac::<Sha256>::new_from_slice(&self.0).unwrap_or_else(|_| unreachable!());
        mac.update(format!("{id}.{timestamp}.").as_bytes());
        mac.update(body);
        mac
    }
}

/// The value of `webhook-signature` by each secret, the present one first.
pub fn signatures(secrets: &[Secret], id: &str, timestamp: i64, body: &[u8]) -> String {
    secrets.iter().map(|secret| secret.sign(id, timestamp, body)).collect::<Vec<_>>().join(" ")
}

/// Why a message is not believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SignatureError {
    /// A header is missing or cannot be read.
    #[error("a header of Standard Webhooks is missing or garbled")]
    Headers,
    /// It is too old or from the future.
    #[error("its time is more than five minutes off")]
    Time,
    /// No signature fits.
    #[error("no signature fits the secret")]
    Signature,
}

/// Whether a message that arrived at `now`, in seconds since 1970, was signed with one of `secrets` and is not an
/// old one sent again.
///
/// # Errors
/// Why it is not believed.
pub fn verify(
    secrets: &[Secret],
    (id, timestamp, signature): (&str, &str, &str),
    body: &[u8],
    now: i64,
) -> Result<(), SignatureError> {
    let at: i64 = timestamp.parse().map_err(|_| SignatureError::Headers)?;
    if id.is_empty() || signature.is_empty() {
        return Err(SignatureError::Headers);
    }
    if (now - at).abs() > TOLERANCE_S {
        return Err(SignatureError::Time);
    }
    let fits = |secret: &Secret| {
        signature
            .split(' ')
            .filter_map(|part| BASE64_STANDARD.decode(part.strip_prefix("v1,")?).ok())
            // Compares in constant time.
            .any(|sent| secret.mac(id, at, body).verify_slice(&sent).is_ok())
    };
    if secrets.iter().any(fits) { Ok(()) } else { Err(SignatureError::Signature) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Standard Webhooks, the vectors of its reference libraries (the same in Go, JavaScript and Ruby).
    const VECTORS: [(&str, &str, i64, &str, &str); 2] = [
        (
            "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
            "msg_p5jXN8AQM9LWM0D4loKWxJek",
            1_614_265_330,
            "{\"test\": 2432232314}",
            "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
        ),
        (
            "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD",
            "msg_27UH4WbU6Z5A5EzD8u03UvzRbpk",
            1_649_367_553,
            "{\"email\":\"test@example.com\",\"username\":\"test_user\"}",
            "v1,tZ1I4/hDygAJgO5TYxiSd6Sd0kDW6hPenDe+bTa3Kkw=",
        ),
    ];

    #[test]
    fn signs_as_the_published_vectors_say() {
        for (secret, id, at, body, signature) in VECTORS {
            let secret = Secret::parse(secret).unwrap();
            assert_eq!(secret.sign(id, at, body.as_bytes()), signature);
            let sent = (id, &*at.to_string(), signature);
            assert_eq!(verify(&[secret], sent, body.as_bytes(), at), Ok(()));
        }
    }

    #[test]
    fn either_secret_of_a_rotation_verifies() {
        let (old, new) = (Secret::random().unwrap(), Secret::random().unwrap());
        let sent = signatures(&[new.clone(), old.clone()], "id", 1000, b"body");
        assert!(sent.starts_with(&new.sign("id", 1000, b"body")), "the present one first");
        for known in [old, new] {
            assert_eq!(verify(&[known], ("id", "1000", &sent), b"body", 1000), Ok(()));
        }
        let other = Secret::random().unwrap();
        assert_eq!(verify(&[other], ("id", "1000", &sent), b"body", 1000), Err(SignatureError::Signature));
    }

    #[test]
    fn what_was_changed_or_is_old_is_not_believed() {
        let secret = Secret::random().unwrap();
        let sent = secret.sign("id", 1000, b"body");
        let check = |id: &str, at: &str, signature: &str, body: &[u8], now: i64| {
            verify(std::slice::from_ref(&secret), (id, at, signature), body, now)
        };
        assert_eq!(check("id", "1000", &sent, b"body", 1300), Ok(()));
        assert_eq!(check("id", "1000", &sent, b"body", 1301), Err(SignatureError::Time));
        assert_eq!(check("id", "1000", &sent, b"body", 699), Err(SignatureError::Time));
        assert_eq!(check("id", "1001", &sent, b"body", 1000), Err(SignatureError::Signature));
        assert_eq!(check("di", "1000", &sent, b"body", 1000), Err(SignatureError::Signature));
        assert_eq!(check("id", "1000", &sent, b"Body", 1000), Err(SignatureError::Signature));
        for garbled in ["v1,", "v1", "v2,AAAA", "v1,AAAA", &sent[..sent.len() - 4], &sent.to_lowercase()] {
            assert_eq!(
                check("id", "1000", garbled, b"body", 1000),
                Err(SignatureError::Signature),
                "{garbled}"
            );
        }
        for (id, at, signature) in
            [("", "1000", &*sent), ("id", "", &sent), ("id", "x", &sent), ("id", "1000", "")]
        {
            assert_eq!(check(id, at, signature, b"body", 1000), Err(SignatureError::Headers));
        }
    }

    #[test]
    fn a_secret_is_read_as_it_is_shown_and_is_not_told_by_accident() {
        let secret = Secret::random().unwrap();
        assert_eq!(Secret::parse(&secret.reveal()).unwrap(), secret);
        assert_ne!(Secret::random().unwrap(), secret);
        assert_eq!(secret.0.len(), 32);
        assert!(!format!("{secret:?}").contains(&secret.reveal()[6..]));
        for wrong in ["", "whsec_", "whsec_AAAA", "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "whsec_not base64!"] {
            assert!(Secret::parse(wrong).is_err(), "{wrong}");
        }
    }
}
