//! Each address and its answer.

mod stores;

use std::sync::Arc;

use axum::extract::rejection::FormRejection;
use axum::extract::{DefaultBodyLimit, Form, Path, Request, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{Html, IntoResponse, Response};
use axum::routing::{get, post};

use crate::outcome::KneeOutcome;
use crate::report::html::{Findings, page as findings_page};
use crate::report::json::to_json;
use crate::scenario::{Override, Scenario, parse, parse_sweep};

use super::folder::{Kind, text};
use super::guard::BODY_MAX;
use super::jobs::{Answer, Asked, Job, Question, Standing};
use super::{Server, asking, pages};

/// Beside what a page allows by itself: nothing may frame it, guess its type, keep it or take it into another site.
const HEADERS: [(&str, &str); 6] = [
    ("content-security-policy", "frame-ancestors 'none'"),
    ("x-frame-options", "DENY"),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "no-referrer"),
    ("cross-origin-resource-policy", "same-origin"),
    ("cache-control", "no-store"),
];

/// All addresses, behind the guard.
pub fn router(server: Arc<Server>) -> axum::Router {
    axum::Router::new()
        .route("/", get(index))
        .route("/scenario/{name}", get(scenario))
        .route("/scenario/{name}/rerun", post(rerun))
        .route("/sweep/{name}", get(sweep))
        .route("/result/{name}", get(result))
        .route("/store/{name}", get(stores::store))
        .route("/store/{name}/{part}", get(stores::part))
        .route("/job/{number}", get(job))
        .route("/job/{number}/stop", post(stop))
        .route("/job/{number}/{part}", get(job_part))
        .fallback(async || Refusal::missing("page"))
        .method_not_allowed_fallback(async || {
            Refusal(StatusCode::METHOD_NOT_ALLOWED, "This address does not take that method.".into())
        })
        .layer(DefaultBodyLimit::max(BODY_MAX))
        .layer(from_fn_with_state(Arc::clone(&server), guarded))
        .with_state(server)
}

/// Lets a request in or not, and puts the headers that every answer has.
async fn guarded(State(server): State<Arc<Server>>, request: Request, next: Next) -> Response {
    let mut response = match server.guard.admit(&request) {
        Ok(()) => next.run(request).await,
        Err((status, words)) => Refusal(status, words.into()).into_response(),
    };
    for (name, value) in HEADERS {
        response.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    response
}

/// A request that is not answered: status and words.
struct Refusal(StatusCode, String);

impl Refusal {
    fn missing(what: &str) -> Self {
        Refusal(StatusCode::NOT_FOUND, format!("There is no such {what} in this folder."))
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        let heading = if self.0 == StatusCode::NOT_FOUND { "Not here" } else { "Not done" };
        (self.0, Html(pages::refusal(heading, &self.1))).into_response()
    }
}

type Answered = Result<Response, Refusal>;

/// Makes an answer on a thread that may wait for the disk.
async fn aside(make: impl FnOnce() -> Answered + Send + 'static) -> Answered {
    tokio::task::spawn_blocking(make).await.unwrap_or_else(|_| {
        let words = "A fault of forebay ended this page; its terminal says where.";
        Err(Refusal(StatusCode::INTERNAL_SERVER_ERROR, words.into()))
    })
}

fn shown(page: String) -> Answered {
    Ok(Html(page).into_response())
}

fn json(text: String) -> Answered {
    Ok(([(header::CONTENT_TYPE, "application/json")], text).into_response())
}

/// The page that `forebay report` writes.
fn whole(findings: &Findings) -> Answered {
    shown(findings_page(findings).map_err(unreadable)?)
}

/// A file that is there and cannot be made sense of.
fn unreadable(why: String) -> Refusal {
    Refusal(StatusCode::UNPROCESSABLE_ENTITY, why)
}

type Shared = State<Arc<Server>>;

async fn index(State(server): Shared) -> Answered {
    aside(move || {
        let listing = server.folder.list().map_err(|why| {
            Refusal(StatusCode::INTERNAL_SERVER_ERROR, format!("The folder cannot be read: {why}."))
        })?;
        shown(pages::index(&server.folder.name(), &server.folder.shown, &listing, &server.jobs.all()))
    })
    .await
}

impl Server {
    /// A file's text.
    fn text(&self, kind: Kind, name: &str) -> Result<String, Refusal> {
        let path = self.folder.find(kind, name).ok_or_else(|| Refusal::missing(kind.word()))?;
        text(&path).map_err(unreadable)
    }

    fn parsed(&self, text: &str, name: &str, sets: &[Override]) -> Result<Scenario, String> {
        parse(text, name, self.folder.root(), sets).map_err(|wrong| wrong.render(false))
    }

    /// The scenario as stated and as changed by these lines; or all that is wrong with them.
    fn designs(&self, text: &str, name: &str, lines: &str) -> Result<[Scenario; 2], String> {
        let lines = lines.lines().map(str::trim).filter(|line| !line.is_empty());
        let sets = lines.map(Override::parse).collect::<Result<Vec<_>, _>>()?;
        if sets.is_empty() {
            return Err("nothing is changed: write a line such as design.cpu.cores=6".into());
        }
        let stated = self.parsed(text, name, &[])?;
        let changed = self.parsed(text, name, &sets)?;
        // What a form says must not choose what is read: messages about a trace quote it.
        let is_own = |path| stated.traces().any(|(own, _)| own == path);
        let has_own_only = changed.traces().all(|(path, _)| is_own(path));
        match has_own_only {
            true => Ok([stated, changed]),
            false => Err("a change may not name another trace: write it into the file".into()),
        }
    }
}

async fn scenario(State(server): Shared, Path(name): Path<String>) -> Answered {
    aside(move || {
        let text = server.text(Kind::Scenario, &name)?;
        let mistakes = server.parsed(&text, &name, &[]).err();
        shown(asking::scenario(&name, &text, mistakes.as_deref(), server.guard.token()))
    })
    .await
}

/// What forms send.
#[derive(serde::Deserialize)]
struct Sent {
    #[serde(default)]
    token: String,
    #[serde(default)]
    sets: String,
    #[serde(default)]
    question: String,
}

impl Server {
    /// A form that is one of ours.
    fn own(&self, form: Result<Form<Sent>, FormRejection>) -> Result<Sent, Refusal> {
        let Form(sent) = form.map_err(|wrong| match wrong.status() {
            StatusCode::PAYLOAD_TOO_LARGE => {
                Refusal(wrong.status(), "The form is larger than 64 KiB, the most that is read.".into())
            }
            status => Refusal(status, "The form cannot be read.".into()),
        })?;
        if !self.guard.knows(&sent.token) {
            let words = "The form is not of this run of forebay. Open the page again and send it from there.";
            return Err(Refusal(StatusCode::FORBIDDEN, words.into()));
        }
        Ok(sent)
    }
}

async fn rerun(
    State(server): Shared,
    Path(name): Path<String>,
    form: Result<Form<Sent>, FormRejection>,
) -> Answered {
    let sent = server.own(form)?;
    aside(move || {
        let text = server.text(Kind::Scenario, &name)?;
        let question = match sent.question.as_str() {
            "" => Some(Question::Knee),
            word => Question::ALL.into_iter().find(|question| question.word() == word),
        };
        let Some(question) = question else {
            return Err(Refusal(
                StatusCode::BAD_REQUEST,
                "Of a form, what to ask is knee or compare.".into(),
            ));
        };
        let designs = server.designs(&text, &name, &sent.sets);
        let number = server.jobs.add(Asked { scenario: name, sets: sent.sets, question }, designs);
        let number = number.ok_or_else(|| {
            let words = "Twenty jobs wait already. Stop one of them, or wait until one is done.";
            Refusal(StatusCode::TOO_MANY_REQUESTS, words.into())
        })?;
        see(number)
    })
    .await
}

/// "See other": reloading the page that follows sends nothing again.
fn see(job: u64) -> Answered {
    Ok((StatusCode::SEE_OTHER, [(header::LOCATION, format!("/job/{job}"))]).into_response())
}

async fn stop(
    State(server): Shared,
    Path(number): Path<String>,
    form: Result<Form<Sent>, FormRejection>,
) -> Answered {
    server.own(form)?;
    let (job, _) = server.job(&number)?;
    server.jobs.stop(job.number);
    see(job.number)
}

impl Server {
    fn job(&self, number: &str) -> Result<(Arc<Job>, usize), Refusal> {
        let found = number.parse().ok().and_then(|number| self.jobs.get(number));
        found.ok_or_else(|| {
            Refusal(StatusCode::NOT_FOUND, "There is no such job; the last 20 are kept.".into())
        })
    }
}

async fn job(State(server): Shared, Path(number): Path<String>) -> Answered {
    aside(move || {
        let (job, before) = server.job(&number)?;
        shown(asking::job(&job, before, server.guard.token()))
    })
    .await
}

async fn job_part(State(server): Shared, Path((number, part)): Path<(String, String)>) -> Answered {
    aside(move || {
        let (job, before) = server.job(&number)?;
        let standing = job.standing();
        if part == "state" {
            let words = asking::in_words(&job, &standing, before);
            let state = serde_json::json!({
                "state": standing.word(), "words": words, "ended": standing.is_end(), "before": before,
            });
            return json(state.to_string());
        }
        let Standing::Done(answer) = &standing else { return Err(Refusal::missing("answer")) };
        let curve = |knee: &KneeOutcome| whole(&Findings { knee: Some(knee.clone()), ..Findings::default() });
        match (answer, part.as_str()) {
            (Answer::Curves([stated, _]), "stated") => curve(stated),
            (Answer::Curves([_, changed]), "changed") => curve(changed),
            (Answer::Curves([stated, _]), "stated.json") => json(to_json(stated.as_ref())),
            (Answer::Curves([_, changed]), "changed.json") => json(to_json(changed.as_ref())),
            (Answer::Compared(found), "compared") => {
                whole(&Findings { compare: Some(found.as_ref().clone()), ..Findings::default() })
            }
            (Answer::Compared(found), "compared.json") => json(to_json(found.as_ref())),
            _ => Err(Refusal::missing("answer")),
        }
    })
    .await
}

async fn sweep(State(server): Shared, Path(name): Path<String>) -> Answered {
    aside(move || {
        let text = server.text(Kind::Sweep, &name)?;
        let about = parse_sweep(&text, &name, server.folder.root())
            .map(|sweep| format!("{}: {} variants of {}.", sweep.title, sweep.count(), sweep.base_name))
            .map_err(|wrong| wrong.render(false));
        shown(pages::sweep(&name, &text, &about))
    })
    .await
}

async fn result(State(server): Shared, Path(name): Path<String>) -> Answered {
    aside(move || {
        let text = server.text(Kind::Result, &name)?;
        let mut findings = Findings::default();
        findings.take(&text).map_err(|why| unreadable(format!("{name} is {why}")))?;
        whole(&findings)
    })
    .await
}
