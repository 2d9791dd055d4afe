//! The served folder, spoken to by hand: what it shows, what it asks again, how it stops, and what it refuses.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use crate::program::{Folder, forebay, said};

const TINY: &str = "title = \"Depot\"\n[run]\nseed = 1\nlength = \"200 ms\"\nwarm_up = \"20 ms\"\nreplications = 4\n\
                    [design.cpu]\ncores = 2\nservice = { mean = \"10 us\", shape = \"exponential\" }\n[[class]]\n\
                    name = \"a\"\nmachines = 1\nload = { rate = \"100000/s\" }\nread = 1\nsizes = \"4 KiB\"\n\
                    [[objective]]\nclass = \"a\"\npercentile = 99\nbelow = \"200 us\"\n";

/// A scenario whose curve takes longer than any test.
const LONG: &str = include_str!("../../workloads/emberley.toml");

/// A server of a folder, killed when the test ends.
struct Server {
    child: Child,
    address: String,
}

struct Reply {
    status: u16,
    head: String,
    body: String,
}

impl Server {
    fn of(folder: &Folder) -> Self {
        let mut child = forebay(&["serve", &folder.path(""), "--port", "0"])
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("it starts");
        let mut line = String::new();
        let mut out = BufReader::new(child.stdout.take().expect("a pipe"));
        out.read_line(&mut line).expect("a line");
        let address = line.strip_prefix("http://").and_then(|rest| rest.split_once('/'));
        let address = address.unwrap_or_else(|| panic!("no address: {line}")).0.to_owned();
        assert!(address.starts_with("127.0.0.1:") && line.contains("Ctrl-C"), "{line}");
        Server { child, address }
    }

    fn connection(&self) -> TcpStream {
        let stream = TcpStream::connect(&self.address).expect("it listens");
        stream.set_read_timeout(Some(Duration::from_secs(60))).expect("a time-out");
        stream
    }

    /// Sends exactly these lines, and reads to the end.
    fn raw(&self, request: &str) -> Reply {
        let mut stream = self.connection();
        // A server that has refused may have closed before all was written.
        let _ = stream.write_all(request.as_bytes());
        let mut reply = Vec::new();
        let _ = stream.read_to_end(&mut reply);
        let reply = String::from_utf8(reply).expect("UTF-8");
        let (head, body) = reply.split_once("\r\n\r\n").unwrap_or_else(|| panic!("no reply: {reply}"));
        let status = head.split(' ').nth(1).and_then(|code| code.parse().ok()).expect("a status");
        Reply { status, head: head.to_lowercase(), body: body.to_owned() }
    }

    fn with(&self, method: &str, path: &str, headers: &str, body: &str) -> Reply {
        self.raw(&format!(
            "{method} {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n{headers}\r\n{body}",
            self.address
        ))
    }

    fn get(&self, path: &str) -> Reply {
        self.with("GET", path, "", "")
    }

    fn post(&self, path: &str, headers: &str, body: &str) -> Reply {
        let form = format!(
            "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n{headers}",
            body.len()
        );
        self.with("POST", path, &form, body)
    }

    /// What the form of a page carries.
    fn token(&self, page: &str) -> String {
        let body = self.get(page).body;
        let (_, rest) = body.split_once("name=\"token\" value=\"").expect("a form");
        rest.split_once('"').expect("a value").0.to_owned()
    }

    /// Asks a scenario again; where the job is.
    fn rerun(&self, name: &str, sets: &str, question: &str) -> String {
        let token = self.token(&format!("/scenario/{name}"));
        let body = format!("token={token}&question={question}&sets={}", spelled(sets));
        let reply = self.post(&format!("/scenario/{name}/rerun"), "", &body);
        assert_eq!(reply.status, 303, "{}", reply.body);
        let location = reply.head.lines().find_map(|line| line.strip_prefix("location: "));
        location.expect("a location").to_owned()
    }

    fn state(&self, address: &str) -> serde_json::Value {
        let reply = self.get(&format!("{address}/state"));
        assert_eq!(reply.status, 200, "{}", reply.body);
        serde_json::from_str(&reply.body).expect("JSON")
    }

    fn until(&self, address: &str, is_it: impl Fn(&serde_json::Value) -> bool) -> serde_json::Value {
        let began = Instant::now();
        loop {
            let state = self.state(address);
            if is_it(&state) {
                return state;
            }
            assert!(began.elapsed() < Duration::from_secs(120), "{state}");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Interrupts it; exit status and how long that took.
    fn interrupt(mut self) -> (Option<i32>, Duration) {
        let began = Instant::now();
        let pid = self.child.id().to_string();
        assert!(Command::new("kill").args(["-INT", &pid]).status().expect("kill").success());
        let status = self.child.wait().expect("it ends");
        (status.code(), began.elapsed())
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// As a form spells a text.
fn spelled(text: &str) -> String {
    text.bytes().map(|byte| format!("%{byte:02X}")).collect()
}

fn folder() -> Folder {
    let folder = Folder::new();
    folder.file("tiny.toml", TINY);
    folder
}

/// Each file stands under what it is; what cannot be read says why; sweeps, results and stores have a page each.
#[test]
fn a_folder_is_shown_as_it_is_now() {
    let folder = folder();
    let [run, store] = ["run.json", "s.db"].map(|name| folder.path(name));
    let sweep = folder.file("s.toml", "base = \"tiny.toml\"\n[vary]\ndesign.cpu.cores = [2, 3]\n[front]\nleast = [\"run.all.all.p99_us\"]\n");
    assert_eq!(said(&["run", &folder.path("tiny.toml"), "--json", &run, "--quiet"]).0, Some(0));
    assert_eq!(said(&["sweep", "run", &sweep, "--out", &store, "--quiet"]).0, Some(0));
    folder.file("broken.json", "{");
    folder.file("wrong.toml", "[design.cpu]\ncore = 2\n");
    folder.file("notes.txt", "nothing");
    let server = Server::of(&folder);
    let page = server.get("/").body;
    for words in [
        "href=\"/scenario/tiny.toml\"",
        "href=\"/result/run.json\"",
        "href=\"/sweep/s.toml\"",
        "href=\"/store/s.db\"",
        "2 of 2 variants asked",
        "no JSON",
        "1 machine in 1 class, 1 objective",
    ] {
        assert!(page.contains(words), "{words}: {page}");
    }
    assert!(!page.contains("notes.txt"));
    assert!(server.get("/scenario/wrong.toml").body.contains("did you mean `cores`?"));
    assert_eq!(server.get("/result/run.json").body, said(&["report", &run, "--out", "-"]).1);
    assert_eq!(server.get("/result/broken.json").status, 422);
    assert!(server.get("/sweep/s.toml").body.contains("2 variants"));
    assert!(server.get("/store/s.db").body.contains("least run.all.all.p99_us"));
    assert_eq!(server.get("/store/s.db/all").body, said(&["report", &store, "--out", "-"]).1);
    folder.file("later.toml", TINY);
    assert!(server.get("/").body.contains("later.toml"));
    // A sweep is no scenario, and has no form.
    assert_eq!(server.get("/scenario/s.toml").status, 404);
}

/// From the form to both curves, and their figures are those of the command, to the byte.
#[test]
fn a_change_is_asked_again_and_both_curves_are_shown() {
    let folder = folder();
    let server = Server::of(&folder);
    let job = server.rerun("tiny.toml", "design.cpu.cores=3\r\n\r\n", "knee");
    server.until(&job, |state| state["state"] == "done");
    let page = server.get(&job).body;
    for words in ["<svg class=\"chart\"", "as stated, p99", "changed, p99", "design.cpu.cores=3"] {
        assert!(page.contains(words), "{words}");
    }
    for (part, set) in [("stated", None), ("changed", Some("design.cpu.cores=3"))] {
        let path = folder.path("tiny.toml");
        let mut arguments = vec!["knee", path.as_str(), "--json", "-"];
        arguments.extend(set.iter().flat_map(|set| ["--set", *set]));
        let (_, json, _) = said(&arguments);
        assert_eq!(server.get(&format!("{job}/{part}.json")).body, json, "{part}");
        let found: serde_json::Value = serde_json::from_str(&json).expect("JSON");
        let full = found["saturation"]["iops"]["value"].as_f64().expect("a figure");
        let words = format!("Saturation: {}", forebay::report::numbers::format_per_second(full));
        assert!(page.contains(&words), "{words}");
        assert!(server.get(&format!("{job}/{part}")).body.contains(&words), "{part}");
    }
    let compared = server.rerun("tiny.toml", "design.cpu.cores=3", "compare");
    server.until(&compared, |state| state["state"] == "done");
    assert!(server.get(&compared).body.contains("certain at 95 %"));
    assert!(server.get(&format!("{compared}/compared")).body.contains("Designs compared"));
    assert!(server.get("/").body.contains(&format!("href=\"{job}\"")));
}

/// Mistakes of a form are told in words, and change nothing.
#[test]
fn mistakes_of_a_change_are_told() {
    let folder = folder();
    let server = Server::of(&folder);
    for (sets, words) in [
        ("design.cpu.core=3", "did you mean `cores`?"),
        ("design.cpu.cores=0", "design.cpu.cores"),
        ("design.cpu.cores", "expected PATH=VALUE"),
        ("  \n", "nothing is changed"),
    ] {
        let job = server.rerun("tiny.toml", sets, "knee");
        assert_eq!(server.state(&job)["state"], "failed", "{sets}");
        let page = server.get(&job).body;
        assert!(page.contains(words), "{words}: {page}");
    }
    // A form does not choose what is read.
    let replay =
        TINY.replace("{ rate = \"100000/s\" }\nread = 1\nsizes = \"4 KiB\"", "{ trace = \"own.csv\" }");
    folder.file("replay.toml", &replay);
    let job = server.rerun("replay.toml", "class.a.load.trace=\"/etc/passwd\"", "knee");
    let page = server.get(&job).body;
    assert!(page.contains("may not name another trace"), "{page}");
    assert_eq!(std::fs::read_to_string(folder.path("tiny.toml")).expect("the file"), TINY);
    assert_eq!(server.get("/job/99").status, 404);
    assert_eq!(server.get("/job/x").status, 404);
}

/// One simulates at a time; others wait, say so, and can be stopped, as can the one that runs.
#[test]
fn jobs_wait_for_their_turn_and_can_be_stopped() {
    let folder = folder();
    folder.file("long.toml", LONG);
    let server = Server::of(&folder);
    let long = server.rerun("long.toml", "design.cpu.cores=6", "knee");
    let [first, second] = [0, 1].map(|_| server.rerun("tiny.toml", "design.cpu.cores=3", "knee"));
    server.until(&long, |state| state["state"] == "running");
    assert!(server.state(&first)["words"].as_str().expect("words").contains("another one is before it"));
    assert_eq!(server.state(&second)["before"], 2);
    let stop = format!("token={}", server.token(&long));
    assert_eq!(server.post(&format!("{first}/stop"), "", &stop).status, 303);
    assert_eq!(server.state(&first)["state"], "stopped");
    assert_eq!(server.post(&format!("{long}/stop"), "", &stop).status, 303);
    server.until(&long, |state| state["state"] == "stopped");
    server.until(&second, |state| state["state"] == "done");
}

/// While a job runs, a sweep is followed and a browser holds its connection: an interrupt ends it, well and soon.
#[test]
fn an_interrupt_ends_it_while_a_job_runs() {
    let folder = folder();
    folder.file("long.toml", LONG);
    let server = Server::of(&folder);
    let long = server.rerun("long.toml", "design.cpu.cores=6", "knee");
    server.until(&long, |state| state["state"] == "running");
    let mut idle = server.connection();
    write!(idle, "GET / HTTP/1.1\r\nHost: {}\r\n\r\n", server.address).expect("written");
    let mut half = server.connection();
    write!(half, "POST /job/1/stop HTTP/1.1\r\nHost: {}\r\nContent-Length: 10\r\n\r\n", server.address)
        .expect("written");
    let (status, took) = server.interrupt();
    assert_eq!(status, Some(0));
    assert!(took < Duration::from_secs(4), "{took:?}");
}

/// The count of a store grows while its sweep runs, and looking on does not disturb the sweep.
#[test]
fn a_running_sweep_is_followed() {
    let folder = folder();
    let sweep = folder.file(
        "s.toml",
        "base = \"tiny.toml\"\n[vary]\n\"class.a.load.rate\" = { from = \"20000/s\", to = \"160000/s\", points = 40 }\n",
    );
    let store = folder.path("s.db");
    let server = Server::of(&folder);
    let mut running = forebay(&["sweep", "run", &sweep, "--out", &store, "--quiet", "--threads", "1"])
        .spawn()
        .expect("it starts");
    let mut counts: Vec<u64> = Vec::new();
    let began = Instant::now();
    while counts.last() != Some(&40) {
        assert!(began.elapsed() < Duration::from_secs(120), "{counts:?}");
        let reply = server.get("/store/s.db/state");
        if reply.status == 200 {
            let state: serde_json::Value = serde_json::from_str(&reply.body).expect("JSON");
            counts.push(state["asked"].as_u64().expect("a count"));
            assert!(server.get("/store/s.db/front").status == 200);
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    assert_eq!(running.wait().expect("it ends").code(), Some(0));
    counts.dedup();
    assert!(counts.is_sorted() && counts.len() > 3, "{counts:?}");
    assert_eq!(server.state("/store/s.db")["words"], "40 of 40 variants asked");
}

/// Names are looked up among the files of the folder, and nowhere else.
#[test]
fn no_name_leads_out_of_the_folder() {
    let (folder, outside) = (folder(), Folder::new());
    let secret = outside.file("secret.json", "{\"secret\": \"42\"}");
    let other = outside.file("secret.toml", TINY);
    std::os::unix::fs::symlink(&secret, folder.path("link.json")).expect("a link");
    std::os::unix::fs::symlink(&other, folder.path("link.toml")).expect("a link");
    std::os::unix::fs::symlink(folder.path("tiny.toml"), folder.path("inner.toml")).expect("a link");
    std::fs::create_dir(folder.path("deep")).expect("a folder");
    folder.file("deep/x.json", "{}");
    let server = Server::of(&folder);
    let way = spelled(&secret);
    for path in [
        "/result/..%2f..%2fetc%2fpasswd",
        "/result/../x.json",
        "/result/..%5c..%5cx.json",
        "/result/%2e%2e/x.json",
        "/result//etc/passwd",
        "/result/deep%2Fx.json",
        "/result/deep/x.json",
        "/result/link.json",
        "/result/tiny.toml",
        "/result/%00",
        "/result/.",
        "/result/",
        "/scenario/link.toml",
        "/scenario/tiny.toml%2f..%2ftiny.toml",
        "/../../etc/passwd",
        &format!("/result/{way}"),
        &format!("/store/{way}"),
        &format!("/scenario/{}", spelled(&other)),
    ] {
        let reply = server.get(path);
        assert_eq!(reply.status, 404, "{path}: {}", reply.body);
        assert!(!reply.body.contains("secret"), "{path}");
    }
    assert_eq!(server.get("/result/%FF").status / 100, 4);
    assert_eq!(server.get("/scenario/inner.toml").status, 200);
    let page = server.get("/").body;
    assert!(page.contains("leads out of the folder") && !page.contains("href=\"/result/link.json\""));
}

/// What another site makes a browser send changes nothing.
#[test]
fn writes_from_elsewhere_are_refused() {
    let folder = folder();
    let server = Server::of(&folder);
    let own = format!("Origin: http://{}\r\n", server.address);
    let token = server.token("/scenario/tiny.toml");
    let body = format!("token={token}&sets=design.cpu.cores%3D3");
    let rerun = "/scenario/tiny.toml/rerun";
    for headers in [
        "Origin: http://depot.example\r\n",
        "Origin: null\r\n",
        "Sec-Fetch-Site: cross-site\r\n",
        "Sec-Fetch-Site: same-site\r\n",
        "Origin: null\r\nSec-Fetch-Site: cross-site\r\n",
        "Origin: http://127.0.0.1:1\r\n",
        &format!("{own}Sec-Fetch-Site: cross-site\r\n"),
        &format!("{own}Origin: http://depot.example\r\n"),
    ] {
        assert_eq!(server.post(rerun, headers, &body).status, 403, "{headers}");
        assert_eq!(server.post("/job/1/stop", headers, &body).status, 403, "{headers}");
    }
    for wrong in ["sets=design.cpu.cores%3D3", "token=&sets=a", &body.replace(&token, &"0".repeat(32))] {
        assert_eq!(server.post(rerun, &own, wrong).status, 403, "{wrong}");
    }
    assert!(!server.get("/").body.contains("Asked here"));
    for headers in [own.as_str(), "Origin: null\r\nSec-Fetch-Site: same-origin\r\n", ""] {
        assert_eq!(server.post(rerun, headers, &body).status, 303, "{headers}");
    }
}

/// A name of another's that is made to point here (DNS rebinding) reads nothing.
#[test]
fn requests_for_another_host_are_refused() {
    let folder = folder();
    let server = Server::of(&folder);
    let port = server.address.rsplit_once(':').expect("a port").1;
    let asked = |line: &str, headers: &str| {
        server.raw(&format!("GET {line} HTTP/1.1\r\nConnection: close\r\n{headers}\r\n")).status
    };
    let host = |name: &str| asked("/", &format!("Host: {name}\r\n"));
    assert_eq!(host(&format!("localhost:{port}")), 200);
    for name in
        ["depot.example", &format!("depot.example:{port}"), "127.0.0.1", "127.0.0.1:1", "", "127.0.0.2:80"]
    {
        assert_eq!(host(name), 403, "{name}");
    }
    let own = format!("Host: {}\r\n", server.address);
    assert_eq!(asked("http://depot.example/", &own), 403);
    assert_ne!(asked("/", ""), 200);
    assert_ne!(asked("/", &format!("{own}Host: depot.example\r\n")), 200);
}

/// Sizes and methods have limits, and every answer, refusals too, carries what protects the reader.
#[test]
fn requests_have_limits_and_answers_have_their_headers() {
    let folder = folder();
    folder.file("<script>alert(1)<.toml", "title = \"<script>alert(2)</script>\"\n");
    let server = Server::of(&folder);
    let token = server.token("/scenario/tiny.toml");
    let large = format!("token={token}&sets={}", "a".repeat(70_000));
    let long = "x".repeat(2_000);
    let replies = [
        (200, server.get("/")),
        (200, server.with("HEAD", "/", "", "")),
        (404, server.get("/nothing")),
        (404, server.get(&format!("/result/{long}"))),
        (405, server.with("PUT", "/", "", "")),
        (405, server.with("DELETE", "/scenario/tiny.toml", "", "")),
        (405, server.with("OPTIONS", "/scenario/tiny.toml/rerun", "", "")),
        (405, server.post("/", "", "")),
        (405, server.get("/scenario/tiny.toml/rerun")),
        (413, server.post("/scenario/tiny.toml/rerun", "", &large)),
        (415, server.with("POST", "/scenario/tiny.toml/rerun", "Content-Length: 2\r\n", "{}")),
    ];
    for (status, reply) in &replies {
        assert_eq!(reply.status, *status, "{}", reply.body);
        for header in [
            "x-content-type-options: nosniff",
            "referrer-policy: no-referrer",
            "cache-control: no-store",
            "cross-origin-resource-policy: same-origin",
            "x-frame-options: deny",
            "frame-ancestors 'none'",
        ] {
            assert!(reply.head.contains(header), "{header}: {}", reply.head);
        }
    }
    let page = &replies[0].1.body;
    assert!(page.contains("&lt;script&gt;alert(1)") && !page.contains("<script>alert"), "{page}");
    let address = format!("/scenario/{}", spelled("<script>alert(1)<.toml"));
    let page = server.get(&address).body;
    assert!(page.contains("alert(2)") && !page.contains("<script>alert"), "{page}");
    // What breaks the protocol itself ends the connection and nothing else.
    assert_eq!(server.raw("GARBAGE\r\n\r\n").status, 400);
    assert_eq!(server.get("/").status, 200);
}

/// Mistakes of the command line.
#[test]
fn what_cannot_be_served_is_told() {
    let folder = folder();
    let (dir, file, gone) = (folder.path(""), folder.path("tiny.toml"), folder.path("gone"));
    let server = Server::of(&folder);
    let port = server.address.rsplit_once(':').expect("a port").1;
    for (arguments, words) in [
        (vec!["serve", &gone], "there is no folder"),
        (vec!["serve", &file], "is a file"),
        (vec!["serve", &dir, "--port", port], "`--port 0`"),
        (vec!["serve", &dir, "--port", "70000"], "70000"),
        (vec!["serve", &dir, "--bind", "depot"], "is no address"),
        (vec!["serve", &dir, "--bind", "192.0.2.1"], "address of this machine"),
        (vec!["serve"], "FOLDER"),
    ] {
        let (status, out, err) = said(&arguments);
        assert_eq!((status, out.as_str()), (Some(2), ""), "{arguments:?}: {err}");
        assert!(err.contains(words), "{words}: {err}");
    }
}

/// An address that others reach is warned about.
#[test]
fn an_open_address_is_warned_about() {
    let folder = folder();
    let mut child = forebay(&["serve", &folder.path(""), "--port", "0", "--bind", "0.0.0.0"])
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .expect("it starts");
    let mut line = String::new();
    BufReader::new(child.stderr.take().expect("a pipe")).read_line(&mut line).expect("a line");
    let _ = child.kill();
    let _ = child.wait();
    assert!(line.starts_with("warning: ") && line.contains("this machine's processors"), "{line}");
}
