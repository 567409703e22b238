//! Certificates for a farm's own network: an authority that is made once and put on each device, and a certificate that it
//! vouches for. Browsers keep a page for when there is no signal only where it came over TLS.

use std::{
    fs,
    io::Write as _,
    net::{IpAddr, Ipv4Addr, Ipv6Addr},
    path::{Path, PathBuf},
    sync::Arc,
};

use anyhow::{Context as _, bail};
use chrono::{DateTime, Datelike as _, TimeDelta, Utc};
use rcgen::{
    BasicConstraints, CertificateParams, CidrSubnet, DistinguishedName, DnType, ExtendedKeyUsagePurpose,
    GeneralSubtree, IsCa, Issuer, KeyPair, KeyUsagePurpose, NameConstraints,
};
use sha2::{Digest as _, Sha256};
use tokio_rustls::rustls::{
    RootCertStore,
    client::{WebPkiServerVerifier, danger::ServerCertVerifier as _},
    pki_types::{CertificateDer, ServerName, UnixTime, pem::PemObject as _},
};

use crate::cryptography;

/// How the authority calls itself; the same on every farm, because its key tells it apart.
const AUTHORITY: &str = "Tankside, authority of this farm";

/// Days that the authority vouches: ten years.
const AUTHORITY_DAYS: i64 = 3650;

/// Days that a certificate is good. Apple's devices take none that is good for longer than 825 (support.apple.com/103769), and
/// a year is easily remembered.
const DAYS: i64 = 397;

/// Clocks of devices may be behind.
const EARLIER: TimeDelta = TimeDelta::days(1);

/// Names that lead nowhere but into one's own network: RFC 6762 (`local`), RFC 8375 (`home.arpa`), RFC 6761 (`localhost`), and
/// what is set aside or common for it (`internal`: ICANN 2024).
const PRIVATE_NAMES: [&str; 5] = ["local", "home.arpa", "internal", "lan", "localhost"];

/// The files of a folder with certificates.
pub struct Files {
    /// The authority, to be put on each device.
    pub authority: PathBuf,
    /// Its key, which vouches for others.
    pub authority_key: PathBuf,
    /// The certificate, with the authority after it.
    pub certificate: PathBuf,
    /// Its key.
    pub key: PathBuf,
}

impl Files {
    /// In this folder.
    pub fn within(folder: &Path) -> Self {
        Self {
            authority: folder.join("authority.pem"),
            authority_key: folder.join("authority-key.pem"),
            certificate: folder.join("certificate.pem"),
            key: folder.join("key.pem"),
        }
    }
}

/// What was made.
pub struct Made {
    /// Where.
    pub files: Files,
    /// Whether the authority is new, too.
    pub is_new_authority: bool,
    /// The authority's SHA-256, as devices show it.
    pub fingerprint: String,
    /// Until when the certificate is good.
    pub good_until: DateTime<Utc>,
}

/// Makes a certificate for these names and addresses in `folder`, by the authority that is there or else by a new one.
///
/// # Errors
/// A name is none, the files cannot be written, or the authority does not vouch for such a name.
pub fn make(folder: &Path, names: &[String], ips: &[IpAddr], now: DateTime<Utc>) -> anyhow::Result<Made> {
    private_folder(folder)?;
    let files = Files::within(folder);
    let mut subjects: Vec<String> = names.to_vec();
    subjects.extend(ips.iter().map(ToString::to_string));
    // The service's own look at itself (`tankside health`).
    let own = ["localhost".to_owned(), Ipv4Addr::LOCALHOST.to_string(), Ipv6Addr::LOCALHOST.to_string()];
    subjects.extend(own.into_iter().filter(|own| !names.contains(own)));
    subjects.dedup();

    let is_new_authority = !files.authority.exists() && !files.authority_key.exists();
    let (authority, authority_key) = if is_new_authority {
        let key = KeyPair::generate()?;
        let authority = authority(names, ips, now)?.self_signed(&key)?.pem();
        (authority, key)
    } else {
        let read = |path: &Path| {
            fs::read_to_string(path).with_context(|| format!("the authority needs {}", path.display()))
        };
        let key = KeyPair::from_pem(&read(&files.authority_key)?);
        let key = key.map_err(|_| anyhow::anyhow!("{} holds no key", files.authority_key.display()))?;
        (read(&files.authority)?, key)
    };
    let mut params = CertificateParams::new(subjects.clone()).context("a name is none")?;
    let good_until = now + TimeDelta::days(DAYS);
    good_between(&mut params, now - EARLIER, good_until);
    params.distinguished_name = called(names.first().map_or("tankside", String::as_str));
    params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
    params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
    params.use_authority_key_identifier_extension = true;
    let key = KeyPair::generate()?;
    let certificate = params.signed_by(&key, &Issuer::new(issuing(), &authority_key))?;
    vouched_for(&authority, certificate.der(), &subjects, now)?;

    if is_new_authority {
        write(&files.authority_key, &authority_key.serialize_pem())?;
        write(&files.authority, &authority)?;
    }
    write(&files.key, &key.serialize_pem())?;
    write(&files.certificate, &(certificate.pem() + &authority))?;
    let fingerprint = fingerprint(&authority)?;
    Ok(Made { files, is_new_authority, fingerprint, good_until })
}

fn called(name: &str) -> DistinguishedName {
    let mut called = DistinguishedName::new();
    called.push(DnType::CommonName, name);
    called
}

/// What is said of the authority in each certificate that it vouches for.
fn issuing() -> CertificateParams {
    let mut params = CertificateParams::default();
    params.distinguished_name = called(AUTHORITY);
    params.key_usages = vec![KeyUsagePurpose::KeyCertSign];
    params
}

/// An authority that can vouch for these names, and for those that lead into private networks only: whoever gets hold of its key
/// cannot pass for a bank.
fn authority(names: &[String], ips: &[IpAddr], now: DateTime<Utc>) -> anyhow::Result<CertificateParams> {
    let mut params = issuing();
    good_between(&mut params, now - EARLIER, now + TimeDelta::days(AUTHORITY_DAYS));
    params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
    let ranges = [
        "10.0.0.0/8",
        "172.16.0.0/12",
        "192.168.0.0/16",
        "169.254.0.0/16",
        "127.0.0.0/8",
        "fc00::/7",
        "fe80::/10",
    ];
    let mut permitted = Vec::new();
    for range in ranges {
        let range: ipnet::IpNet = range.parse()?;
        permitted.push(CidrSubnet::from_addr_prefix(range.network(), range.prefix_len()));
    }
    let single = ips.iter().chain([&IpAddr::V6(Ipv6Addr::LOCALHOST)]);
    permitted.extend(single.map(|ip| CidrSubnet::from_addr_prefix(*ip, if ip.is_ipv4() { 32 } else { 128 })));
    let own = names.iter().map(String::as_str).chain(PRIVATE_NAMES);
    let by_name = own.map(|name| GeneralSubtree::DnsName(name.to_owned()));
    params.name_constraints = Some(NameConstraints {
        permitted_subtrees: by_name.chain(permitted.into_iter().map(GeneralSubtree::IpAddress)).collect(),
        excluded_subtrees: Vec::new(),
    });
    Ok(params)
}

/// Sets from when until when it is good, in whole days.
fn good_between(params: &mut CertificateParams, from: DateTime<Utc>, until: DateTime<Utc>) {
    let part = |number: u32| u8::try_from(number).unwrap_or(1);
    let start = |at: DateTime<Utc>| rcgen::date_time_ymd(at.year(), part(at.month()), part(at.day()));
    (params.not_before, params.not_after) = (start(from), start(until));
}

/// Sees whether a device that has the authority would take the certificate for each name.
fn vouched_for(
    authority: &str,
    certificate: &CertificateDer<'_>,
    subjects: &[String],
    now: DateTime<Utc>,
) -> anyhow::Result<()> {
    let mut roots = RootCertStore::empty();
    roots.add(CertificateDer::from_pem_slice(authority.as_bytes())?).context("the authority is none")?;
    let provider = cryptography::provider();
    let verifier = WebPkiServerVerifier::builder_with_provider(Arc::new(roots), provider).build()?;
    let at = std::time::Duration::from_secs(u64::try_from(now.timestamp())?);
    for subject in subjects {
        let name =
            ServerName::try_from(subject.as_str()).with_context(|| format!("{subject} is not a name"))?;
        let checked =
            verifier.verify_server_cert(certificate, &[], &name, &[], UnixTime::since_unix_epoch(at));
        if let Err(error) = checked {
            bail!(
                "the authority in this folder does not vouch for {subject} ({error}): it was made for other names, or is over. \
                 Name another --folder; its authority then goes on each device in place of this"
            );
        }
    }
    Ok(())
}

/// SHA-256 in pairs, as devices show it.
fn fingerprint(authority: &str) -> anyhow::Result<String> {
    let der = CertificateDer::from_pem_slice(authority.as_bytes())?;
    let pairs = Sha256::digest(&der).iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>();
    Ok(pairs.join(":"))
}

fn private_folder(folder: &Path) -> anyhow::Result<()> {
    use std::os::unix::fs::DirBuilderExt as _;
    let made = fs::DirBuilder::new().recursive(true).mode(0o700).create(folder);
    made.with_context(|| format!("the folder {} cannot be made", folder.display()))
}

/// Writes a file that only its owner can read; it is there whole or not at all.
fn write(path: &Path, text: &str) -> anyhow::Result<()> {
    let folder = path.parent().unwrap_or(Path::new("."));
    let written = || -> std::io::Result<()> {
        let mut part = tempfile::NamedTempFile::new_in(folder)?;
        part.write_all(text.as_bytes())?;
        part.as_file().sync_all()?;
        part.persist(path)?;
        Ok(())
    };
    written().with_context(|| format!("{} cannot be written", path.display()))
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt as _;

    use super::*;

    fn at(text: &str) -> DateTime<Utc> {
        DateTime::parse_from_rfc3339(text).unwrap().to_utc()
    }

    #[test]
    fn an_authority_is_made_once_and_kept() {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path().join("tls");
        let (names, ips) = (["barn.local".to_owned()], ["192.168.10.5".parse().unwrap()]);
        let first = make(&folder, &names, &ips, at("2026-03-02T05:00:00Z")).unwrap();
        assert!(first.is_new_authority);
        let read = |path: &Path| fs::read_to_string(path).unwrap();
        let (authority, certificate) = (read(&first.files.authority), read(&first.files.certificate));
        for file in
            [&first.files.authority, &first.files.authority_key, &first.files.certificate, &first.files.key]
        {
            assert_eq!(fs::metadata(file).unwrap().permissions().mode() & 0o777, 0o600, "{}", file.display());
        }
        let later = at("2027-02-02T05:00:00Z");
        let second = make(&folder, &["van.local".to_owned()], &ips, later).unwrap();
        assert!(!second.is_new_authority);
        assert_eq!(
            (read(&second.files.authority), &second.fingerprint),
            (authority.clone(), &first.fingerprint)
        );
        assert_ne!(read(&second.files.certificate), certificate);
        assert!(second.good_until > first.good_until);
        // The first is over by then, and neither is good for another name.
        let der = CertificateDer::from_pem_slice(certificate.as_bytes()).unwrap();
        let names = |name: &str| vec![name.to_owned()];
        vouched_for(&authority, &der, &names("barn.local"), at("2026-12-02T05:00:00Z")).unwrap();
        vouched_for(&authority, &der, &names("192.168.10.5"), at("2026-12-02T05:00:00Z")).unwrap();
        assert!(vouched_for(&authority, &der, &names("barn.local"), at("2027-04-30T05:00:00Z")).is_err());
        assert!(vouched_for(&authority, &der, &names("van.local"), at("2026-12-02T05:00:00Z")).is_err());
    }

    #[test]
    fn an_authority_vouches_for_its_own_network_only() {
        let folder = tempfile::tempdir().unwrap();
        let now = at("2026-03-02T05:00:00Z");
        make(folder.path(), &["tankside.farm.example".to_owned()], &[], now).unwrap();
        make(folder.path(), &["barn.lan".to_owned()], &["10.1.2.3".parse().unwrap()], now).unwrap();
        let before = fs::read_to_string(folder.path().join("certificate.pem")).unwrap();
        for (name, ip) in [("bank.example", "10.1.2.3"), ("barn.lan", "203.0.113.7")] {
            let refused = make(folder.path(), &[name.to_owned()], &[ip.parse().unwrap()], now);
            assert!(refused.err().unwrap().to_string().contains("does not vouch for"), "{name} {ip}");
        }
        assert_eq!(fs::read_to_string(folder.path().join("certificate.pem")).unwrap(), before);
        assert!(make(folder.path(), &["two words".to_owned()], &[], now).is_err());
    }
}
