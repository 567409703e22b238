//! TLS of the service's own connections: a certificate and its key from two files, read again when they change.

use std::{
    fmt, fs, io,
    path::{Path, PathBuf},
    sync::{Arc, Mutex, PoisonError, RwLock},
    time::{Duration, SystemTime},
};

use anyhow::Context as _;
use tokio_rustls::{
    TlsAcceptor,
    rustls::{
        ServerConfig,
        crypto::CryptoProvider,
        pki_types::{CertificateDer, PrivateKeyDer, pem::PemObject as _},
        server::{ClientHello, ResolvesServerCert},
        sign::CertifiedKey,
    },
};

use crate::cryptography;

/// How often the files are looked at.
pub const LOOKED_AT_EVERY: Duration = Duration::from_secs(10);

/// Where the certificate and its key stand.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TlsFiles {
    /// The certificate, with those between it and its authority after it, as PEM.
    pub certificate: PathBuf,
    /// Its private key, as PEM.
    pub key: PathBuf,
}

/// A file as it was when it was read.
type Stamp = Option<(SystemTime, u64)>;

/// The certificate in use.
#[derive(Clone)]
pub struct Tls(Arc<InUse>);

struct InUse {
    files: TlsFiles,
    provider: Arc<CryptoProvider>,
    current: RwLock<Arc<CertifiedKey>>,
    stamps: Mutex<[Stamp; 2]>,
}

impl fmt::Debug for InUse {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("InUse").field("files", &self.files).finish_non_exhaustive()
    }
}

impl ResolvesServerCert for InUse {
    fn resolve(&self, _: ClientHello<'_>) -> Option<Arc<CertifiedKey>> {
        Some(self.current.read().unwrap_or_else(PoisonError::into_inner).clone())
    }
}

impl Tls {
    /// Reads the files.
    ///
    /// # Errors
    /// One cannot be read, or the key is not that of the certificate.
    pub fn open(files: TlsFiles) -> anyhow::Result<Self> {
        let provider = cryptography::provider();
        let stamps = Mutex::new(stamps(&files));
        let current = RwLock::new(Arc::new(read(&files, &provider)?));
        warn_of_others(&files.key);
        Ok(Self(Arc::new(InUse { files, provider, current, stamps })))
    }

    /// Accepts connections under whatever certificate is in use then.
    ///
    /// # Errors
    /// The cryptographic library knows none of the protocol's versions.
    pub fn acceptor(&self) -> anyhow::Result<TlsAcceptor> {
        let mut config = ServerConfig::builder_with_provider(self.0.provider.clone())
            .with_safe_default_protocol_versions()?
            .with_no_client_auth()
            .with_cert_resolver(self.0.clone());
        config.alpn_protocols = vec![b"http/1.1".to_vec()];
        Ok(TlsAcceptor::from(Arc::new(config)))
    }

    /// Reads the files again. What cannot be used leaves the old certificate in use.
    pub fn reload(&self) {
        let stamps = stamps(&self.0.files);
        *self.0.stamps.lock().unwrap_or_else(PoisonError::into_inner) = stamps;
        match read(&self.0.files, &self.0.provider) {
            Ok(read) => {
                *self.0.current.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(read);
                tracing::info!(certificate = %self.0.files.certificate.display(), "the certificate was read again");
            }
            Err(error) => tracing::error!("the certificate in use stays: {error:#}"),
        }
    }

    /// The same if one of the files is another than when they were last read.
    pub fn reload_if_changed(&self) {
        if *self.0.stamps.lock().unwrap_or_else(PoisonError::into_inner) != stamps(&self.0.files) {
            self.reload();
        }
    }
}

fn read(files: &TlsFiles, provider: &CryptoProvider) -> anyhow::Result<CertifiedKey> {
    let chain = CertificateDer::pem_file_iter(&files.certificate)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .with_context(|| format!("the certificate {} cannot be read", files.certificate.display()))?;
    anyhow::ensure!(!chain.is_empty(), "there is no certificate in {}", files.certificate.display());
    // What cannot be parsed is not told: it may be part of the key.
    let key = PrivateKeyDer::from_pem_file(&files.key).map_err(|_| {
        anyhow::anyhow!("there is no private key that can be read in {}", files.key.display())
    })?;
    CertifiedKey::from_der(chain, key, provider).with_context(|| {
        let (certificate, key) = (files.certificate.display(), files.key.display());
        format!("the certificate {certificate} and the key {key} do not go together")
    })
}

fn stamps(files: &TlsFiles) -> [Stamp; 2] {
    [&files.certificate, &files.key].map(|path| stamp(path).ok())
}

fn stamp(path: &Path) -> io::Result<(SystemTime, u64)> {
    let file = fs::metadata(path)?;
    Ok((file.modified()?, file.len()))
}

fn warn_of_others(key: &Path) {
    use std::os::unix::fs::PermissionsExt as _;
    let open = fs::metadata(key).is_ok_and(|file| file.permissions().mode() & 0o077 != 0);
    if open {
        tracing::warn!(key = %key.display(), "others on this machine may read the private key; chmod 600 it");
    }
}
