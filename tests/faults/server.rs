//! The PostgreSQL server goes away and comes back while clients work.

use std::{path::Path, process::Command};

use crate::{
    load::Load,
    service::{Service, until},
    support,
};

/// A server of this test alone, because it is crashed.
struct Server {
    folder: tempfile::TempDir,
    url: String,
}

impl Server {
    fn start() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let url = script("start", folder.path()).trim().to_owned();
        Self { folder, url }
    }

    fn crash(&self) {
        script("crash", self.folder.path());
    }

    fn resume(&self) {
        script("resume", self.folder.path());
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        script("stop", self.folder.path());
    }
}

/// `tests/postgres`, which knows how to run a server as any user.
fn script(what: &str, folder: &Path) -> String {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/postgres");
    let output = Command::new(script).arg(what).arg(folder).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_server_crashes_while_clients_work() {
    let server = Server::start();
    let service = Service::start(&server.url);
    let load = Load::on(&service.base, service.first_key.as_ref().unwrap(), 8).await;
    // Short absences, in which acts may just wait; then one that is too long to wait for.
    for _ in 0..2 {
        load.answers(60).await;
        server.crash();
        server.resume();
    }
    load.answers(60).await;
    server.crash();
    let met = load.problems();
    until("an act that could not be written", async || load.problems() != met).await;
    let http = support::http_client();
    let ready = async || http.get(format!("{}/readyz", service.base)).send().await.unwrap().status() == 200;
    assert!(!ready().await);
    server.resume();
    // The same process goes on by itself.
    until("the service to be ready again", ready).await;
    load.answers(60).await;
    load.end().await.agrees_with(&service.base, &server.url).await;
    assert_eq!(service.terminate(), 0);
}
