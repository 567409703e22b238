//! The service's certificate, and for how long it is good.

use chrono::{DateTime, NaiveDateTime, TimeDelta, Utc};
use tokio_rustls::rustls::pki_types::{CertificateDer, pem::PemObject as _};

use crate::{
    config::Config,
    doctor::Findings,
    domain::{duration::words, values::Timestamp},
    http::tls::Tls,
};

/// From how long before its end on it is told. Our rule.
const TOLD_BEFORE: TimeDelta = TimeDelta::days(30);

pub(super) fn look(found: &mut Findings, config: &Config, now: Timestamp) {
    let Some(files) = &config.tls else { return found.ok("certificate", "none: plain HTTP") };
    if let Err(error) = Tls::open(files.clone()) {
        return found.wrong(
            "certificate",
            format!("{error:#}"),
            "the service does not start so; give it the right files",
        );
    }
    let shown = files.certificate.display();
    let good = CertificateDer::from_pem_file(&files.certificate).ok().and_then(|first| good_between(&first));
    let Some((from, until)) = good else {
        return found.look(
            "certificate",
            format!("{shown} does not say until when it is good"),
            "make it anew",
        );
    };
    let left = until - now.utc();
    let renew = "renew it (`tankside certificate new` makes those of a farm's own network anew)";
    if now.utc() < from {
        found.wrong("certificate", format!("{shown} is good only from {from} on"), "wait, or set the clock");
    } else if left <= TimeDelta::zero() {
        found.wrong("certificate", format!("{shown} ended on {until}: nobody connects any more"), renew);
    } else if left < TOLD_BEFORE {
        found.look("certificate", format!("{shown} ends in {}, on {until}", words(left)), renew);
    } else {
        found.ok("certificate", format!("{shown} is good until {until}"));
    }
}

/// From when until when a certificate is good (RFC 5280, 4.1): the sequence after its issuer.
fn good_between(certificate: &[u8]) -> Option<(DateTime<Utc>, DateTime<Utc>)> {
    let (whole, _) = element(certificate, Some(SEQUENCE))?;
    let (mut rest, _) = element(whole, Some(SEQUENCE))?;
    // The version is there in every certificate with extensions.
    if rest.first() == Some(&VERSION) {
        rest = element(rest, None)?.1;
    }
    // Serial number, signature algorithm, issuer.
    for _ in 0..3 {
        rest = element(rest, None)?.1;
    }
    let (validity, _) = element(rest, Some(SEQUENCE))?;
    let (from, rest) = time(validity)?;
    Some((from, time(rest)?.0))
}

const SEQUENCE: u8 = 0x30;
const VERSION: u8 = 0xa0;
const UTC_TIME: u8 = 0x17;
const GENERALIZED_TIME: u8 = 0x18;

/// The content of the first element of DER (ITU-T X.690, 8.1), and what follows it.
fn element(der: &[u8], tag: Option<u8>) -> Option<(&[u8], &[u8])> {
    let (&first, rest) = der.split_first()?;
    if tag.is_some_and(|tag| tag != first) {
        return None;
    }
    let (&length, mut rest) = rest.split_first()?;
    let mut long = usize::from(length);
    if length & 0x80 != 0 {
        let (bytes, after) =
            rest.split_at_checked(usize::from(length & 0x7f)).filter(|(bytes, _)| bytes.len() <= 4)?;
        long = bytes.iter().fold(0, |long, byte| long << 8 | usize::from(*byte));
        rest = after;
    }
    rest.split_at_checked(long)
}

/// A time, and what follows it. A year of two digits is of 1950 to 2049 (RFC 5280, 4.1.2.5.1).
fn time(der: &[u8]) -> Option<(DateTime<Utc>, &[u8])> {
    let tag = *der.first()?;
    let (text, rest) = element(der, None)?;
    let text = std::str::from_utf8(text).ok()?;
    let text = match tag {
        UTC_TIME => format!("{}{text}", if text < "50" { "20" } else { "19" }),
        GENERALIZED_TIME => text.to_owned(),
        _ => return None,
    };
    Some((NaiveDateTime::parse_from_str(&text, "%Y%m%d%H%M%SZ").ok()?.and_utc(), rest))
}

#[cfg(test)]
mod tests {
    use rcgen::{CertificateParams, KeyPair, date_time_ymd};

    use super::*;

    #[test]
    fn a_certificate_says_from_when_until_when_it_is_good() {
        // Both forms of a time: from 2050 on the year has four digits.
        for (from, until) in [((1999, 12, 31), (2027, 2, 28)), ((2026, 3, 1), (2061, 11, 30))] {
            let mut params = CertificateParams::new(vec!["barn.local".to_owned()]).unwrap();
            params.not_before = date_time_ymd(from.0, from.1, from.2);
            params.not_after = date_time_ymd(until.0, until.1, until.2);
            let made = params.self_signed(&KeyPair::generate().unwrap()).unwrap();
            let (begins, ends) = good_between(made.der()).unwrap();
            let told = |at: DateTime<Utc>| at.format("%Y-%m-%d %H:%M:%S").to_string();
            assert_eq!(told(begins), format!("{:04}-{:02}-{:02} 00:00:00", from.0, from.1, from.2));
            assert_eq!(told(ends), format!("{:04}-{:02}-{:02} 00:00:00", until.0, until.1, until.2));
            // Whatever is cut off, it is no certificate, and nothing worse comes of it.
            for length in 0..60 {
                assert_eq!(good_between(&made.der()[..length]), None);
            }
        }
    }
}
