//! Keys by which callers are known: made here, shown once, kept only as a hash.
//!
//! A key is `tks_`, thirty random characters, `_`, and six that check the rest: a scanner for
//! leaked secrets knows it by its beginning, a double click selects the whole, and a slip of the
//! pen is refused without asking the store.

use crate::{
    book::{
        CommandError,
        command::{Command, CommandContext, On},
    },
    domain::{
        access::{
            Role,
            key::{self as rules, ApiKey, KeyRotation, KeyState, NewKey},
            limits::KeyLimits,
        },
        now::Now,
        rejection::Rejection,
        values::{BusinessId, KeyId, Name, Timestamp},
    },
    store::{self, Tx, access::key::Key},
};
use sha2::{Digest as _, Sha256};

const PREFIX: &str = "tks_";
const DIGITS: &[u8; 62] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz";

/// Random characters of a key: 30 of 62 are 178 bits.
const RANDOM: usize = 30;

/// Characters that check the others: CRC-32 in base 62.
const CHECK: usize = 6;

/// A key in the clear, to be shown once.
pub struct Secret(String);

impl Secret {
    /// A new key from the system's random numbers.
    ///
    /// # Errors
    /// The system has none to give.
    pub fn random() -> Result<Self, getrandom::Error> {
        let mut random = String::with_capacity(RANDOM);
        let mut bytes = [0_u8; 64];
        while random.len() < RANDOM {
            getrandom::fill(&mut bytes)?;
            // 248 is the largest multiple of 62 in a byte: above it some digits would come oftener.
            let even = bytes.iter().filter(|byte| **byte < 248);
            random.extend(
                even.take(RANDOM - random.len()).map(|byte| char::from(DIGITS[usize::from(byte % 62)])),
            );
        }
        Ok(Self(format!("{PREFIX}{random}_{}", check(&random))))
    }

    /// The key, to be shown to its holder.
    pub fn reveal(&self) -> &str {
        &self.0
    }

    /// The hash by which its key is found.
    pub fn hash(&self) -> String {
        format!("{:x}", Sha256::digest(&self.0))
    }
}

/// The hash by which a key is found, or `None` for what cannot be a key.
pub fn hash(key: &str) -> Option<String> {
    let (random, checked) = key.strip_prefix(PREFIX)?.split_once('_')?;
    let well_formed = random.len() == RANDOM && random.bytes().all(|byte| DIGITS.contains(&byte));
    (well_formed && checked == check(random)).then(|| format!("{:x}", Sha256::digest(key)))
}

fn check(random: &str) -> String {
    let mut rest = crc32fast::hash(random.as_bytes());
    let mut digits = [b'0'; CHECK];
    for digit in digits.iter_mut().rev() {
        *digit = DIGITS[(rest % 62) as usize];
        rest /= 62;
    }
    digits.iter().map(|byte| char::from(*byte)).collect()
}

/// Makes a key and enters it; the secret is to be shown once.
///
/// # Errors
/// The store, or the system's random numbers, fail.
pub async fn create(
    tx: &mut Tx,
    business_id: BusinessId,
    name: Name,
    role: Role,
    expires_at: Option<Timestamp>,
    now: Timestamp,
) -> store::Result<(Key, Secret)> {
    let secret = Secret::random()
        .map_err(|error| store::Error::Unusable(format!("the system gives no random numbers: {error}")))?;
    let key = Key {
        business_id,
        id: KeyId::new(),
        name,
        role,
        created_at: now,
        expires_at,
        revoked_at: None,
        limits: KeyLimits::default(),
    };
    store::access::key::add(tx, &key, &secret.hash()).await?;
    Ok((key, secret))
}

/// Makes a key whose secret has that hash, where the rules allow it.
///
/// # Errors
/// They do not, or the store fails.
pub async fn make(
    tx: &mut Tx,
    business_id: BusinessId,
    new: &NewKey,
    hash: &str,
    now: Now,
) -> Result<ApiKey, CommandError> {
    let good = store::access::key::count_good(tx, business_id, now.now).await?;
    rules::may_make(new, good, now)?;
    let limits = new.limits();
    are_known(tx, business_id, &limits).await?;
    let NewKey { name, role, expires_at, .. } = new.clone();
    let key = ApiKey {
        id: KeyId::new(),
        name: name.clone(),
        role,
        state: KeyState::Good,
        created_at: now.now,
        expires_at,
        revoked_at: None,
        last_used_at: None,
        previous_until: None,
        limits: limits.clone(),
    };
    let row = Key {
        business_id,
        id: key.id,
        name,
        role,
        created_at: now.now,
        expires_at,
        revoked_at: None,
        limits,
    };
    store::access::key::add(tx, &row, hash).await?;
    Ok(key)
}

/// Whether a key's limits name herds and tanks of the business, looked up at once.
async fn are_known(tx: &mut Tx, business: BusinessId, limits: &KeyLimits) -> Result<(), CommandError> {
    if !limits.any() {
        return Ok(());
    }
    let herds = limits.herd_ids.iter().flat_map(|herds| &herds.0).map(|herd| herd.0);
    let tanks = limits.tank_ids.iter().flat_map(|tanks| &tanks.0).map(|tank| tank.0);
    let named = [("herd", "herd_ids", herds.collect()), ("tank", "tank_ids", tanks.collect::<Vec<_>>())];
    let ids: Vec<_> = named.iter().flat_map(|(_, _, ids): &(_, _, Vec<uuid::Uuid>)| ids).copied().collect();
    let known = store::access::limits::named(tx, business, &ids).await?;
    for (what, member, ids) in &named {
        for (n, id) in ids.iter().enumerate() {
            if !known.iter().any(|thing| thing.id == *id && thing.what.in_words() == *what) {
                let pointer = Some(format!("#/{member}/{n}"));
                return Err(Rejection::Unknown { what, id: *id, pointer }.into());
            }
        }
    }
    Ok(())
}

/// Revokes a key of a business, where the rules allow it; whether it was not revoked before.
///
/// # Errors
/// They do not, there is none of that id, or the store fails.
pub async fn revoke(
    tx: &mut Tx,
    business: BusinessId,
    id: KeyId,
    now: Timestamp,
) -> Result<bool, CommandError> {
    let standing = store::access::key::standing(tx, business, id, now).await?.ok_or(unknown(id))?;
    let is_news = rules::may_revoke(&standing)?;
    if is_news {
        store::access::key::revoke(tx, id, now).await?;
    }
    Ok(is_news)
}

fn unknown(id: KeyId) -> Rejection {
    Rejection::Unknown { what: "key", id: id.0, pointer: None }
}

/// A key is made.
#[derive(Clone, Debug)]
pub struct AddKey {
    /// What is said of it.
    pub new: NewKey,
    /// The hash of its secret.
    pub hash: String,
}

impl Command for AddKey {
    type Done = ApiKey;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<ApiKey, CommandError> {
        let (business, now) = (cx.business(), cx.now());
        make(cx.tx, business, &self.new, &self.hash, now).await
    }
}

/// A key is revoked. A second time changes nothing.
#[derive(Clone, Copy, Debug)]
pub struct RevokeKey {
    /// Which.
    pub id: KeyId,
}

impl Command for RevokeKey {
    type Done = ();
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<(), CommandError> {
        let (business, now) = (cx.business(), cx.now);
        revoke(cx.tx, business, self.id, now).await.map(drop)
    }
}

/// A key's secret is replaced by one that has this hash.
#[derive(Clone, Debug)]
pub struct RotateKey {
    /// Which key, and for how long the secret before stays good.
    pub rotation: On<KeyId, KeyRotation>,
    /// The hash.
    pub hash: String,
}

impl Command for RotateKey {
    type Done = ApiKey;
    const DECIDES_FIRST: bool = true;

    async fn run(&self, cx: &mut CommandContext<'_>) -> Result<ApiKey, CommandError> {
        let (business, now, id) = (cx.business(), cx.now, self.rotation.id);
        let key = store::access::key::find(cx.tx, business, id, now).await?.ok_or(unknown(id))?;
        let previous_until = rules::previous_until(&key, self.rotation.command.overlap_hours, now)?;
        store::access::key::replace_secret(cx.tx, business, id, &self.hash, previous_until).await?;
        Ok(ApiKey { previous_until, ..key })
    }
}

/// On a store without any business, enters the first with a manager's key; gives it to be shown once.
///
/// # Errors
/// The store fails.
pub async fn first_key(db: &store::Db, now: Timestamp) -> store::Result<Option<Secret>> {
    let mut tx = db.write().await?;
    tx.set_serializable().await?;
    if !store::access::business::all(&mut tx).await?.is_empty() {
        return Ok(None);
    }
    let name = |text| Name::parse(text).map_err(store::Error::Unusable);
    let business = BusinessId::new();
    store::access::business::add(&mut tx, business, &name("First business")?, now).await?;
    let (_, secret) = create(&mut tx, business, name("First manager key")?, Role::Manager, None, now).await?;
    tx.commit().await?;
    Ok(Some(secret))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_is_known_by_its_form() {
        let secret = Secret::random().unwrap();
        assert_eq!(secret.reveal().len(), 4 + 30 + 1 + 6);
        assert_eq!(hash(secret.reveal()).unwrap().len(), 64);
        assert_ne!(Secret::random().unwrap().reveal(), secret.reveal());
    }

    #[test]
    fn one_changed_character_is_refused_without_a_look_up() {
        // CRC-32 finds every change of up to three characters next to each other; GitHub's token
        // format (2021) uses it for the same purpose.
        for _ in 0..200 {
            let secret = Secret::random().unwrap();
            let key = secret.reveal();
            for at in 0..key.len() {
                let mut changed = key.as_bytes().to_vec();
                changed[at] = if changed[at] == b'x' { b'y' } else { b'x' };
                assert_eq!(hash(&String::from_utf8(changed).unwrap()), None, "{key} changed at {at}");
            }
        }
    }

    /// The kept keys were made with zlib's CRC-32. What is near one and no key at all is refused; one that is taken is written as keys
    /// are.
    #[test]
    fn texts_near_keys_are_keys_only_with_a_right_check() {
        use proptest::prop_assert;
        let made_outside = crate::fuzz::corpus("keys");
        assert!(made_outside.iter().all(|key| hash(key).is_some()));
        crate::fuzz::against("keys", |text| {
            if hash(text).is_some() {
                let digits = |part: &str| part.bytes().all(|digit| digit.is_ascii_alphanumeric());
                prop_assert!(
                    text.len() == 41 && text.starts_with("tks_") && &text[34..35] == "_",
                    "{}",
                    text
                );
                prop_assert!(digits(&text[4..34]) && digits(&text[35..]), "{}", text);
                // Up to six edits of 178 random bits make no other key but by one chance in four thousand million.
                prop_assert!(made_outside.iter().any(|key| key == text), "{} was taken for a key", text);
            }
            Ok(())
        });
    }

    #[test]
    fn the_check_is_crc_32_in_base_62() {
        // CRC-32 of "123456789" is 0xCBF43926, the published check value; in base 62 its digits are
        // 3, 45, 35, 27, 22, 14.
        assert_eq!(check("123456789"), "3jZRME");
    }
}
