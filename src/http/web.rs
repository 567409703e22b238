//! The page at the tank: the files under `src/web`, which are part of the program.
//!
//! They load nothing from elsewhere and say so to the browser. Each has its ETag from what is in it, so a new version of the
//! program is seen at the next look; `/build.json` names all of them with one hash, for a device that keeps them. The files of
//! the documentation under `/docs` are served alike, and no device keeps them.

use std::{
    collections::BTreeSet,
    io::Write as _,
    sync::{LazyLock, OnceLock},
};

use axum::{
    Json, Router,
    body::{Body, Bytes},
    http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header},
    response::{Html, IntoResponse, Response},
    routing::get,
};
use serde::Serialize;
use sha2::{Digest as _, Sha256};

use crate::http::answer::is_known;

/// Path and bytes of each file.
const EMBEDDED: &[(&str, &[u8])] = include!(concat!(env!("OUT_DIR"), "/web.rs"));

/// Where the page begins; it is served at `/` too.
const INDEX: &str = "/index.html";

/// The worker that keeps the others; browsers keep it themselves.
const WORKER: &str = "/sw.js";

/// Nothing from elsewhere, nothing inline, and no text that becomes script unseen.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; \
    connect-src 'self'; manifest-src 'self'; worker-src 'self'; base-uri 'none'; form-action 'none'; \
    frame-ancestors 'none'; require-trusted-types-for 'script'; trusted-types default";

/// What the page may ask of a device: that its screen stays on, and that it sounds.
const PERMISSIONS: &str = "accelerometer=(), autoplay=(self), bluetooth=(), camera=(), display-capture=(), geolocation=(), \
    gyroscope=(), hid=(), magnetometer=(), microphone=(), midi=(), payment=(), screen-wake-lock=(self), serial=(), usb=()";

/// Where the files of the documentation are.
const DOCS: &str = "/docs/";

/// How well files are compressed, of 11: each is compressed once and sent often.
const QUALITY: u32 = 11;

/// The same for a large one that is seldom asked for or waited for: nearly as small, in a hundredth of the time.
const QUICK: u32 = 5;

/// A file as it is sent.
pub struct File {
    path: &'static str,
    bytes: Bytes,
    media: &'static str,
    hash: String,
    quality: u32,
    /// Made when it is first asked for; nothing where it would not be smaller.
    brotli: OnceLock<Option<Bytes>>,
}

static FILES: LazyLock<Vec<File>> = LazyLock::new(|| EMBEDDED.iter().map(File::new).collect());

static PRELOADED: LazyLock<Option<HeaderValue>> = LazyLock::new(|| {
    let links: Vec<_> = modules(EMBEDDED).iter().map(|path| format!("<{path}>; rel=modulepreload")).collect();
    HeaderValue::try_from(links.join(", ")).ok().filter(|links| !links.is_empty())
});

/// The files of this version of the program.
#[derive(Serialize)]
struct Build {
    build: String,
    files: Vec<&'static str>,
}

static BUILD: LazyLock<Build> = LazyLock::new(|| {
    let mut all = Sha256::new();
    let of_page = || FILES.iter().filter(|file| !file.path.starts_with(DOCS));
    for file in of_page() {
        all.update(format!("{} {}\n", file.path, file.hash));
    }
    let kept = of_page().map(|file| file.path).filter(|path| *path != WORKER);
    let files = kept.map(|path| if path == INDEX { "/" } else { path }).collect();
    Build { build: short(&all.finalize()), files }
});

/// Enough of a hash to tell any two versions apart.
fn short(hash: &[u8]) -> String {
    use std::fmt::Write as _;
    hash.iter().take(16).fold(String::new(), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// The kind of a file by the end of its name.
fn media(path: &str) -> Option<&'static str> {
    let name = path.rsplit('/').next().unwrap_or_default();
    Some(match name.rsplit_once('.').map(|(_, end)| end) {
        Some("html") => "text/html; charset=utf-8",
        Some("css") => "text/css; charset=utf-8",
        Some("js") => "text/javascript; charset=utf-8",
        Some("json") => "application/json",
        Some("webmanifest") => "application/manifest+json",
        Some("svg") => "image/svg+xml",
        Some("png") => "image/png",
        Some("txt") | None => "text/plain; charset=utf-8",
        Some(_) => return None,
    })
}

impl File {
    fn new(&(path, bytes): &(&'static str, &'static [u8])) -> Self {
        Self::of(path, Bytes::from_static(bytes), QUALITY)
    }

    /// What the program makes of its own accord, compressed; `path` says by its end what it is.
    pub fn made(path: &'static str, bytes: Bytes) -> Self {
        let made = Self::of(path, bytes, QUICK);
        made.brotli();
        made
    }

    fn of(path: &'static str, bytes: Bytes, quality: u32) -> Self {
        let media = media(path).unwrap_or("application/octet-stream");
        let hash = short(&Sha256::digest(&bytes));
        Self { path, bytes, media, hash, quality, brotli: OnceLock::new() }
    }

    /// A large file that is seldom asked for.
    pub fn seldom(path: &'static str, bytes: &'static [u8]) -> Self {
        Self::of(path, Bytes::from_static(bytes), QUICK)
    }

    fn brotli(&self) -> Option<Bytes> {
        let made = self.brotli.get_or_init(|| {
            let mut writer = brotli::CompressorWriter::new(Vec::new(), 16 * 1024, self.quality, 22);
            writer.write_all(&self.bytes).ok()?;
            let made = writer.into_inner();
            (made.len() < self.bytes.len()).then(|| made.into())
        });
        made.clone()
    }

    /// The file, or that it is still the one that the reader has.
    pub fn answer(&self, asked: &HeaderMap) -> Response {
        let brotli = takes_brotli(asked).then(|| self.brotli()).flatten();
        let (etag, body, is_small) = match brotli {
            // Another sequence of bytes is another version to caches.
            Some(small) => (format!("\"{}-br\"", self.hash), Body::from(small), true),
            None => (format!("\"{}\"", self.hash), Body::from(self.bytes.clone()), false),
        };
        let mut response = if is_known(asked, &etag) {
            StatusCode::NOT_MODIFIED.into_response()
        } else {
            let mut response = Response::new(body);
            response.headers_mut().insert(header::CONTENT_TYPE, HeaderValue::from_static(self.media));
            if is_small {
                response.headers_mut().insert(header::CONTENT_ENCODING, HeaderValue::from_static("br"));
            }
            response
        };
        let headers = response.headers_mut();
        if let Ok(etag) = HeaderValue::try_from(etag) {
            headers.insert(header::ETAG, etag);
        }
        headers.insert(header::VARY, HeaderValue::from_static("accept-encoding"));
        if let Some(links) = PRELOADED.as_ref().filter(|_| self.path == INDEX) {
            headers.insert(header::LINK, links.clone());
        }
        guard(headers);
        response
    }
}

/// The answer with a small page that is made for it, which may load what the page at the tank may.
pub fn page(html: String) -> Response {
    let mut response = Html(html).into_response();
    guard(response.headers_mut());
    response
}

fn guard(headers: &mut HeaderMap) {
    for (name, value) in [
        (header::CACHE_CONTROL, "no-cache"),
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        (HeaderName::from_static("permissions-policy"), PERMISSIONS),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
}

/// Whether the reader takes Brotli (RFC 9110, section 12.5.3): it is named, and not with a weight of zero.
fn takes_brotli(asked: &HeaderMap) -> bool {
    let named = asked.get_all(header::ACCEPT_ENCODING).iter().filter_map(|value| value.to_str().ok());
    named.flat_map(|value| value.split(',')).any(|coding| {
        let mut parts = coding.split(';').map(str::trim);
        parts.next().is_some_and(|name| name.eq_ignore_ascii_case("br"))
            && !parts.any(|weight| {
                let weight = weight.strip_prefix("q=").or_else(|| weight.strip_prefix("Q="));
                weight.is_some_and(|q| q.parse::<f32>().is_ok_and(|q| q <= 0.0))
            })
    })
}

/// The modules that the page needs before it can start, by what its script tags and they themselves import; not what is
/// imported only when it is wanted.
fn modules<'f>(files: &[(&'f str, &'f [u8])]) -> Vec<&'f str> {
    let text_of = |path: &str| {
        let found = files.iter().find(|(other, _)| *other == path)?;
        Some((found.0, std::str::from_utf8(found.1).ok()?))
    };
    let Some((_, index)) = text_of(INDEX) else { return Vec::new() };
    let mut wanted: Vec<String> = scripts(index).map(|named| resolved("/", named)).collect();
    let (mut found, mut seen) = (Vec::new(), BTreeSet::new());
    while let Some(path) = wanted.pop() {
        if !seen.insert(path.clone()) {
            continue;
        }
        if let Some((path, text)) = text_of(&path) {
            found.push(path);
            wanted.extend(imports(text).map(|named| resolved(path, named)));
        }
    }
    found.sort_unstable();
    found
}

/// The sources of `<script type="module" src="...">`.
fn scripts(html: &str) -> impl Iterator<Item = &str> {
    html.split("<script").skip(1).filter_map(|tag| {
        let tag = tag.split('>').next()?;
        let src = tag.split_once("src=\"")?.1.split('"').next()?;
        tag.contains("type=\"module\"").then_some(src)
    })
}

/// What a module's statements `import ... from "..."`, `import "..."` and `export ... from "..."` name. They stand at the
/// beginning of a line, as everywhere in `src/web`.
fn imports(script: &str) -> impl Iterator<Item = &str> {
    let starts = script.match_indices('\n').map(|(at, _)| at + 1);
    let statements = std::iter::once(0).chain(starts).filter_map(|at| {
        let line = &script[at..];
        let rest = line.strip_prefix("import ").or_else(|| line.strip_prefix("export "));
        rest.and_then(|rest| rest.split(';').next())
    });
    statements.filter_map(|statement| {
        let named = match statement.rsplit_once("from ") {
            // The declaration of something that is exported has a body before any such word.
            Some((before, named)) if !before.contains(['=', '(']) => named,
            Some(_) => return None,
            None => statement,
        };
        named.trim().strip_prefix(['"', '\''])?.split(['"', '\'']).next()
    })
}

/// The path that `named` leads to from the file at `from`.
fn resolved(from: &str, named: &str) -> String {
    let mut parts: Vec<&str> = if named.starts_with('/') { Vec::new() } else { from.split('/').collect() };
    if !named.starts_with('/') {
        parts.pop();
    }
    for part in named.split('/') {
        match part {
            "" | "." => {}
            ".." => drop(parts.pop()),
            part => parts.push(part),
        }
    }
    format!("/{}", parts.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("/"))
}

/// `GET /build.json`: the files of the page, and a hash of all of them.
async fn build() -> Response {
    let mut response = Json(&*BUILD).into_response();
    guard(response.headers_mut());
    response
}

/// The routes of the page's files.
pub fn routes<S: Clone + Send + Sync + 'static>() -> Router<S> {
    let mut router = Router::new().route("/build.json", get(build));
    for file in FILES.iter() {
        let answer = move |asked: HeaderMap| async move { file.answer(&asked) };
        router = router.route(file.path, get(answer));
        if file.path == INDEX {
            router = router.route("/", get(answer));
        }
    }
    router
}

#[cfg(test)]
mod tests {
    use std::io::Read as _;

    use std::path::Path;

    use super::*;

    #[test]
    fn every_file_is_of_a_known_kind_and_the_page_is_there() {
        for file in FILES.iter() {
            assert!(media(file.path).is_some(), "{}", file.path);
        }
        assert_eq!(BUILD.files.iter().filter(|path| **path == "/").count(), 1);
        assert!(!BUILD.files.contains(&WORKER) && !BUILD.files.contains(&INDEX));
        assert!(FILES.iter().any(|file| file.path.starts_with(DOCS)));
        assert!(!BUILD.files.iter().any(|path| path.starts_with(DOCS)));
    }

    #[test]
    fn modules_are_found_by_what_they_import() {
        let files: [(&str, &[u8]); 7] = [
            ("/index.html", b"<link href=\"/x.js\"><script type=\"module\" src=\"/app.js\"></script>"),
            (
                "/app.js",
                b"import { a } from \"./a.js\";\nimport {\n  b,\n  c,\n} from './in/b.js';\nexport const from = \"./no.js\";\n\
                  /** @typedef {import(\"./no.js\").T} T */\n  const x = await import(\"./no.js\");\n",
            ),
            ("/a.js", b"import \"../app.js\";\nexport function f() {\n  return \"from \";\n}"),
            ("/in/b.js", b"export * from \"./c.js\";\nexport { z } from \"../a.js\"\n"),
            ("/in/c.js", b"export const answer = 42;"),
            ("/no.js", b""),
            ("/x.js", b""),
        ];
        assert_eq!(modules(&files), ["/a.js", "/app.js", "/in/b.js", "/in/c.js"]);
    }

    #[test]
    fn every_module_that_is_imported_is_there() {
        for file in
            FILES.iter().filter(|file| Path::new(file.path).extension().is_some_and(|end| end == "js"))
        {
            let text = std::str::from_utf8(&file.bytes).unwrap();
            for named in imports(text) {
                let path = resolved(file.path, named);
                assert!(FILES.iter().any(|other| other.path == path), "{} imports {path}", file.path);
            }
        }
    }

    #[test]
    fn brotli_is_sent_to_those_who_take_it() {
        let takes = |told: &'static str| {
            takes_brotli(&HeaderMap::from_iter([(header::ACCEPT_ENCODING, HeaderValue::from_static(told))]))
        };
        assert!(takes("gzip, deflate, br, zstd") && takes("br;q=0.5") && takes("BR"));
        assert!(!takes("gzip") && !takes("br;q=0") && !takes("gzip;q=1, br; q=0.000") && !takes("brr"));
        assert!(!takes_brotli(&HeaderMap::new()));
    }

    #[test]
    fn what_is_compressed_is_what_it_was() {
        for file in FILES.iter() {
            if let Some(small) = file.brotli() {
                let mut back = Vec::new();
                brotli::Decompressor::new(&small[..], 4096).read_to_end(&mut back).unwrap();
                assert_eq!(back, file.bytes, "{}", file.path);
            }
        }
    }
}
