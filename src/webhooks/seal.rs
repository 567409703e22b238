//! Secrets of webhooks as they lie in the store: in the clear, or encrypted under a key from a file of its own.
//!
//! XChaCha20-Poly1305 (draft-irtf-cfrg-xchacha-03 over RFC 8439) with a nonce of its own for each secret; business and webhook
//! are bound to it, so that a secret moved to another row does not open. A key that is missing makes deliveries fail with
//! a clear word and lets no new secret be made; it never keeps the service from serving.

use std::{fmt, fs, path::Path};

use base64::{Engine as _, prelude::BASE64_STANDARD};
use chacha20poly1305::{
    KeyInit as _, XChaCha20Poly1305,
    aead::{Aead as _, Payload},
};
use sha2::{Digest as _, Sha256};

use crate::{
    domain::values::{BusinessId, WebhookId},
    webhooks::sign::Secret,
};

/// How an encrypted secret begins; the key's id and base64 of nonce and ciphertext follow.
const SEALED: &str = "sealed:v1:";

/// Bytes of a key, and of a nonce.
const KEY: usize = 32;
const NONCE: usize = 24;

/// Why a secret cannot be used, in words for the operator. Holds nothing of it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SealError {
    /// The file of keys cannot be used.
    #[error("{0}")]
    NoKeys(String),
    /// It is encrypted, and no file with keys is given.
    #[error("the webhook's secret is encrypted, and the service was started without --secrets-key-file")]
    NotGiven,
    /// It is encrypted under a key that is not in the file.
    #[error(
        "the webhook's secret is encrypted under the key {0}, which is not in the file of --secrets-key-file"
    )]
    OtherKey(String),
    /// It was changed, or belongs to another webhook.
    #[error("the webhook's secret does not open: it was changed, or belongs to another webhook; rotate it")]
    Changed,
    /// The system gives no random numbers, or the text is too long to be a secret.
    #[error("the webhook's secret cannot be encrypted")]
    Failed,
}

struct Key {
    id: String,
    cipher: XChaCha20Poly1305,
}

enum Keys {
    /// No file was given: secrets are kept in the clear.
    Clear,
    /// The file cannot be used, and why.
    Broken(String),
    /// The first encrypts, all of them decrypt.
    Given(Vec<Key>),
}

/// The keys under which webhooks' secrets are encrypted.
pub struct SecretKeys(Keys);

impl fmt::Debug for SecretKeys {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("SecretKeys(not shown)")
    }
}

impl SecretKeys {
    /// The keys of a file, or none where none is given. A file that cannot be used is told when a key is asked for.
    pub fn read(file: Option<&Path>) -> Self {
        let Some(file) = file else { return Self(Keys::Clear) };
        let read = fs::read_to_string(file).map_err(|error| error.to_string());
        Self(match read.and_then(|text| keys_in(&text)) {
            Ok(keys) => Keys::Given(keys),
            Err(why) => Keys::Broken(format!(
                "the file of --secrets-key-file, {}, cannot be used: {why}",
                file.display()
            )),
        })
    }

    /// Why the file that was given cannot be used, if it cannot.
    pub fn trouble(&self) -> Option<&str> {
        match &self.0 {
            Keys::Broken(why) => Some(why),
            Keys::Clear | Keys::Given(_) => None,
        }
    }

    /// Whether the key of that id is there.
    pub fn has(&self, id: &str) -> bool {
        matches!(&self.0, Keys::Given(keys) if keys.iter().any(|key| key.id == id))
    }

    /// Whether a secret as it is kept is not as a new one would be.
    pub fn is_outdated(&self, kept: &str) -> bool {
        match &self.0 {
            Keys::Given(keys) => key_of(kept) != keys.first().map(|key| key.id.as_str()),
            Keys::Clear | Keys::Broken(_) => false,
        }
    }

    /// A secret as it is to be kept.
    ///
    /// # Errors
    /// A file of keys was given and cannot be used.
    pub fn seal(
        &self,
        business: BusinessId,
        webhook: WebhookId,
        secret: &Secret,
    ) -> Result<String, SealError> {
        let key = match &self.0 {
            Keys::Clear => return Ok(secret.reveal()),
            Keys::Broken(why) => return Err(SealError::NoKeys(why.clone())),
            Keys::Given(keys) => keys.first().ok_or(SealError::Failed)?,
        };
        let mut sealed = [0; NONCE].to_vec();
        getrandom::fill(&mut sealed).map_err(|_| SealError::Failed)?;
        let nonce = sealed.as_slice().try_into().map_err(|_| SealError::Failed)?;
        let (bound, revealed) = (bound_to(business, webhook), secret.reveal());
        let payload = Payload { msg: revealed.as_bytes(), aad: &bound };
        sealed.extend(key.cipher.encrypt(nonce, payload).map_err(|_| SealError::Failed)?);
        Ok(format!("{SEALED}{}:{}", key.id, BASE64_STANDARD.encode(sealed)))
    }

    /// The secret of a webhook from what is kept of it.
    ///
    /// # Errors
    /// It is encrypted and cannot be decrypted.
    pub fn open(&self, business: BusinessId, webhook: WebhookId, kept: &str) -> Result<Secret, SealError> {
        let Some(wanted) = key_of(kept) else { return Secret::parse(kept).map_err(|_| SealError::Changed) };
        let keys = match &self.0 {
            Keys::Clear => return Err(SealError::NotGiven),
            Keys::Broken(why) => return Err(SealError::NoKeys(why.clone())),
            Keys::Given(keys) => keys,
        };
        let other = || SealError::OtherKey(wanted.to_owned());
        let key = keys.iter().find(|key| key.id == wanted).ok_or_else(other)?;
        let opened = || {
            let (_, sealed) = kept.strip_prefix(SEALED)?.split_once(':')?;
            let sealed = BASE64_STANDARD.decode(sealed).ok()?;
            let (nonce, sealed) = sealed.split_at_checked(NONCE)?;
            let payload = Payload { msg: sealed, aad: &bound_to(business, webhook) };
            let opened = key.cipher.decrypt(nonce.try_into().ok()?, payload).ok()?;
            Secret::parse(std::str::from_utf8(&opened).ok()?).ok()
        };
        opened().ok_or(SealError::Changed)
    }
}

/// The id of the key under which a kept secret is encrypted; `None` for one in the clear.
pub fn key_of(kept: &str) -> Option<&str> {
    Some(kept.strip_prefix(SEALED)?.split_once(':').map_or("", |(id, _)| id))
}

/// One key a line, base64 of 32 bytes; empty lines and those that begin with `#` say nothing. What is wrong is told without what
/// stands there.
fn keys_in(text: &str) -> Result<Vec<Key>, String> {
    let lines = text.lines().map(str::trim).enumerate();
    let keys = lines.filter(|(_, line)| !line.is_empty() && !line.starts_with('#'));
    let keys = keys.map(|(n, line)| {
        let bytes = BASE64_STANDARD.decode(line).ok().filter(|bytes| bytes.len() == KEY);
        let bytes = bytes.ok_or_else(|| format!("line {} is not base64 of {KEY} bytes", n + 1))?;
        let cipher = XChaCha20Poly1305::new_from_slice(&bytes).map_err(|error| error.to_string())?;
        let mut id = Sha256::new_with_prefix(b"tankside secrets key ");
        id.update(&bytes);
        Ok(Key { id: format!("{:x}", id.finalize())[..8].to_owned(), cipher })
    });
    let keys = keys.collect::<Result<Vec<_>, String>>()?;
    if keys.is_empty() { Err("no key stands in it".to_owned()) } else { Ok(keys) }
}

/// What is bound to a secret: where it belongs.
fn bound_to(business: BusinessId, webhook: WebhookId) -> Vec<u8> {
    [b"tankside webhook secret v1 ", &business.0.as_bytes()[..], &webhook.0.as_bytes()[..]].concat()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn file(lines: &[&str]) -> SecretKeys {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("keys");
        fs::write(&path, lines.join("\n")).unwrap();
        SecretKeys::read(Some(&path))
    }

    fn key(byte: u8) -> String {
        BASE64_STANDARD.encode([byte; KEY])
    }

    /// The cipher is what it says: the example of draft-irtf-cfrg-xchacha-03, appendix A.3.1.
    #[test]
    fn the_published_example_comes_out() {
        let plain = b"Ladies and Gentlemen of the class of '99: If I could offer you only one tip for the future, sunscreen \
                      would be it.";
        let key: Vec<u8> = (0x80..=0x9f).collect();
        let nonce: Vec<u8> = (0x40..=0x57).collect();
        let aad = [0x50, 0x51, 0x52, 0x53, 0xc0, 0xc1, 0xc2, 0xc3, 0xc4, 0xc5, 0xc6, 0xc7];
        let cipher = XChaCha20Poly1305::new_from_slice(&key).unwrap();
        let sealed =
            cipher.encrypt(nonce.as_slice().try_into().unwrap(), Payload { msg: plain, aad: &aad }).unwrap();
        let begins = "vW0XnT6D1DuVdleUk8DpOVcqFwAlK/rMvtKQLCE5bLs=";
        assert_eq!(BASE64_STANDARD.encode(&sealed[..32]), begins);
        let tag =
            [0xc0, 0x87, 0x59, 0x24, 0xc1, 0xc7, 0x98, 0x79, 0x47, 0xde, 0xaf, 0xd8, 0x78, 0x0a, 0xcf, 0x49];
        assert!(sealed.ends_with(&tag));
    }

    #[test]
    fn a_secret_opens_only_where_it_belongs_and_only_unchanged() {
        let keys = file(&[&key(1)]);
        let (business, webhook) = (BusinessId::new(), WebhookId::new());
        let secret = Secret::random().unwrap();
        let kept = keys.seal(business, webhook, &secret).unwrap();
        assert!(!kept.contains(&secret.reveal()[6..]) && !keys.is_outdated(&kept));
        assert_eq!(keys.open(business, webhook, &kept).unwrap(), secret);
        assert_ne!(keys.seal(business, webhook, &secret).unwrap(), kept, "a nonce of its own each time");
        assert_eq!(keys.open(BusinessId::new(), webhook, &kept), Err(SealError::Changed));
        assert_eq!(keys.open(business, WebhookId::new(), &kept), Err(SealError::Changed));
        assert_eq!(
            file(&[&key(2)]).open(business, webhook, &kept),
            Err(SealError::OtherKey(key_of(&kept).unwrap().into()))
        );
        assert_eq!(SecretKeys::read(None).open(business, webhook, &kept), Err(SealError::NotGiven));
    }

    #[test]
    fn one_in_the_clear_is_read_with_and_without_a_key_and_a_new_key_takes_over() {
        let (business, webhook) = (BusinessId::new(), WebhookId::new());
        let secret = Secret::random().unwrap();
        let none = SecretKeys::read(None);
        let clear = none.seal(business, webhook, &secret).unwrap();
        assert_eq!(clear, secret.reveal());
        let (old, both) = (file(&[&key(1)]), file(&["# the new one first", &key(2), "", &key(1)]));
        for keys in [&none, &old, &both, &SecretKeys::read(Some(Path::new("/nowhere/at/all")))] {
            assert_eq!(keys.open(business, webhook, &clear).unwrap(), secret);
        }
        assert!(!none.is_outdated(&clear) && old.is_outdated(&clear));
        let sealed = old.seal(business, webhook, &secret).unwrap();
        assert!(!old.is_outdated(&sealed) && both.is_outdated(&sealed));
        assert_eq!(both.open(business, webhook, &sealed).unwrap(), secret);
    }

    #[test]
    fn a_file_that_cannot_be_used_is_told_without_what_stands_in_it() {
        for (lines, told) in [
            (&[] as &[&str], "no key stands in it"),
            (&["# nothing"], "no key stands in it"),
            (&["c2hvcnQ="], "line 1 is not base64 of 32 bytes"),
            (&["", "hunter2!"], "line 2 is not"),
        ] {
            let keys = file(lines);
            let trouble = keys.trouble().unwrap();
            assert!(trouble.contains(told) && !trouble.contains("hunter2"), "{trouble}");
            let refused = keys.seal(BusinessId::new(), WebhookId::new(), &Secret::random().unwrap());
            assert_eq!(refused, Err(SealError::NoKeys(trouble.to_owned())));
            assert_eq!(format!("{keys:?}"), "SecretKeys(not shown)");
        }
        assert!(
            SecretKeys::read(Some(Path::new("/nowhere/at/all")))
                .trouble()
                .unwrap()
                .contains("/nowhere/at/all")
        );
        assert_eq!(file(&[&key(1)]).trouble(), None);
    }

    proptest! {
        #[test]
        fn nothing_changed_opens_and_no_text_makes_it_fall_over(at in 0usize..200, to in any::<u8>(), text in ".{0,80}") {
            let keys = file(&[&key(1)]);
            let (business, webhook) = (BusinessId::new(), WebhookId::new());
            let secret = Secret::parse(&format!("whsec_{}", BASE64_STANDARD.encode([7; 32]))).unwrap();
            let kept = keys.seal(business, webhook, &secret).unwrap();
            let mut bytes = kept.clone().into_bytes();
            let at = at % bytes.len();
            bytes[at] = to;
            if let Ok(changed) = String::from_utf8(bytes)
                && changed != kept
            {
                prop_assert!(keys.open(business, webhook, &changed).is_err(), "{}", changed);
            }
            prop_assert!(keys.open(business, webhook, &text).is_err());
            let sealed = format!("{SEALED}{text}");
            prop_assert!(keys.open(business, webhook, &sealed).is_err());
        }
    }
}
