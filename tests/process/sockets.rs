//! Sockets that were made before the program was started, as systemd makes them.

use std::{
    io::{Read as _, Write as _},
    net::{TcpListener, TcpStream, UdpSocket},
    os::fd::OwnedFd,
    process::{Command, Stdio},
};

use crate::service::{PROGRAM, Service, said, sqlite};

/// What runs the program with sockets, as `sd_listen_fds(3)` has it: from the fourth file on, and for this process only. They come
/// to the shell as its input and its errors.
fn handing_over(service: OwnedFd, other: Option<OwnedFd>, names: &str) -> Command {
    let (count, second) = if other.is_some() { (2, "4>&2 2>/dev/null") } else { (1, "") };
    let script = format!(
        "exec 3<&0 {second} 0</dev/null; LISTEN_PID=$$ LISTEN_FDS={count} LISTEN_FDNAMES={names} exec \"$@\""
    );
    let mut shell = Command::new("sh");
    shell.args(["-c", &script, "sh", PROGRAM]).stdin(service);
    shell.stderr(other.map_or_else(Stdio::null, Stdio::from));
    shell
}

/// Asks on a new connection, before anybody listens to what is asked.
fn asked(socket: &TcpListener, path: &str) -> TcpStream {
    let mut connection = TcpStream::connect(socket.local_addr().unwrap()).unwrap();
    write!(connection, "GET {path} HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n").unwrap();
    connection
}

fn answer(mut connection: TcpStream) -> String {
    let mut text = String::new();
    connection.read_to_string(&mut text).unwrap();
    text
}

#[test]
fn who_came_before_the_service_was_there_is_served() {
    let folder = tempfile::tempdir().unwrap();
    let (socket, metrics) =
        (TcpListener::bind("127.0.0.1:0").unwrap(), TcpListener::bind("127.0.0.1:0").unwrap());
    let (first, counted) = (asked(&socket, "/readyz"), asked(&metrics, "/metrics"));
    let copy = |socket: &TcpListener| OwnedFd::from(socket.try_clone().unwrap());
    let command = handing_over(copy(&socket), Some(copy(&metrics)), "tankside.socket:metrics");
    let service = Service::run(command, &sqlite(&folder));
    assert_eq!(service.base, format!("http://{}", socket.local_addr().unwrap()), "not where --listen says");
    assert_eq!(service.metrics, Some(format!("http://{}/metrics", metrics.local_addr().unwrap())));
    assert!(answer(first).starts_with("HTTP/1.1 200"));
    let counted = answer(counted);
    assert!(counted.starts_with("HTTP/1.1 200") && counted.contains("tankside_"), "{counted}");
    // Who comes while it is restarted waits.
    assert_eq!(service.terminate(), 0);
    let meanwhile = asked(&socket, "/readyz");
    let service = Service::run(handing_over(copy(&socket), None, ""), &sqlite(&folder));
    assert_eq!((service.first_key.as_ref(), service.metrics.as_ref()), (None, None));
    assert!(answer(meanwhile).starts_with("HTTP/1.1 200"));
}

#[test]
fn a_socket_that_is_of_no_use_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let url = sqlite(&folder);
    let serve = |mut command: Command| command.args(["serve", "--database-url", &url]).output().unwrap();
    let socket = || OwnedFd::from(TcpListener::bind("127.0.0.1:0").unwrap());
    assert!(
        !serve(handing_over(socket(), Some(socket()), "http:https")).status.success(),
        "two for the service"
    );
    let datagrams = UdpSocket::bind("127.0.0.1:0").unwrap();
    let mut wrong = handing_over(OwnedFd::from(datagrams), None, "http");
    wrong.stderr(Stdio::piped());
    let told = said(&serve(wrong));
    assert!(told.contains("the socket http that was handed over cannot be used"), "{told}");
    assert!(!folder.path().join("tankside.db").exists(), "nothing was made");
    // What was handed over to another process is nothing to this one.
    let mut other = Command::new(PROGRAM);
    other.envs([("LISTEN_FDS", "1"), ("LISTEN_PID", "1")]);
    assert_eq!(Service::run(other, &url).terminate(), 0);
}
