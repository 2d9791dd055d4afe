//! The pages that ask: a scenario with the form that changes it, and the job that came of it.

use maud::{Markup, PreEscaped, html};

use crate::report::html::{compared, compared_lines, first_lines, side_by_side};

use super::folder::Kind;
use super::jobs::{Answer, Job, NAMES, Question, Standing};
use super::pages::{address, page};

/// A scenario: a form that changes it, and what it says. `mistakes` are all that is wrong with it.
pub fn scenario(name: &str, text: &str, mistakes: Option<&str>, token: &str) -> String {
    let main = html! {
        @match mistakes {
            Some(mistakes) => { h2 { "Mistakes" } p { "It cannot be asked before these are put right:" } pre { (mistakes) } },
            None => { h2 { "Change a setting and ask again" } (form(name, "", Question::Knee, token)) },
        }
        h2 { "What the file says" }
        pre.text { (text) }
    };
    page(name, &html! { "A scenario: a design and what it has to carry." }, &main)
}

fn form(name: &str, sets: &str, chosen: Question, token: &str) -> Markup {
    let words = |question| match question {
        Question::Knee => "the load curve of both: where each bends, gives way and is full",
        Question::Compare => "both at the stated load, request for request: differences with intervals",
    };
    html! {
        form.ask method="post" action=(format!("{}/rerun", address(Kind::Scenario, name))) {
            input type="hidden" name="token" value=(token);
            label for="sets" { "Changes, one a line: PATH=VALUE" }
            textarea id="sets" name="sets" rows="3" required spellcheck="false" autocapitalize="none" autocomplete="off"
                aria-describedby="sets-help" placeholder="design.cpu.cores=6" {
                // A browser drops the first line break of what it finds here.
                (PreEscaped("\n")) (sets)
            }
            p.quiet id="sets-help" { "As after " code { "--set" } "; " code { "forebay explain" }
                " lists all keys. The file itself stays as it is." }
            fieldset {
                legend { "What to ask" }
                @for question in Question::ALL {
                    label { input type="radio" name="question" value=(question.word()) checked[question == chosen]; " "
                        (words(question)) }
                }
            }
            button.main type="submit" { "Ask both" }
        }
    }
}

/// What a job tells while it is followed.
pub fn in_words(job: &Job, standing: &Standing, before: usize) -> String {
    match standing {
        Standing::Waiting if before == 1 => "Waits for its turn: another one is before it.".into(),
        Standing::Waiting if before > 1 => format!("Waits for its turn: {before} others are before it."),
        Standing::Waiting => "Begins in a moment.".into(),
        Standing::Running(_) if job.is_stopped() => "Stopping …".into(),
        Standing::Running(words) => format!("Running: {words}"),
        Standing::Done(_) => "Done.".into(),
        Standing::Failed(_) => "There is no answer:".into(),
        Standing::Stopped => "Stopped before it had an answer.".into(),
    }
}

/// A job: how far it is, or both answers.
pub fn job(job: &Job, before: usize, token: &str) -> String {
    let standing = job.standing();
    let link = format!("/job/{}", job.number);
    let asked = &job.asked;
    let main = html! {
        ul.sets { @for line in asked.sets.lines().filter(|line| !line.trim().is_empty()) { li { code { (line.trim()) } } } }
        @if !standing.is_end() {
            p.state role="status" data-poll=(format!("{link}/state")) data-ends="1" { (in_words(job, &standing, before)) }
            form method="post" action=(format!("{link}/stop")) {
                input type="hidden" name="token" value=(token);
                button type="submit" { "Stop" }
                " " a href=(link) { "Look again" }
            }
        }
        @match &standing {
            Standing::Done(answer) => (answered(&link, answer)),
            Standing::Failed(why) => { p.fault { (in_words(job, &standing, 0)) } pre { (why) } },
            Standing::Stopped => p { (in_words(job, &standing, 0)) },
            Standing::Waiting | Standing::Running(_) => {},
        }
        @if standing.is_end() {
            h2 { "Change it further" }
            (form(&asked.scenario, asked.sets.trim_end(), asked.question, token))
        }
    };
    let title = format!("{} with changes", asked.scenario);
    let sub = html! { a href=(address(Kind::Scenario, &asked.scenario)) { (asked.scenario) } " as stated, and changed by:" };
    page(&title, &sub, &main)
}

fn answered(link: &str, answer: &Answer) -> Markup {
    match answer {
        Answer::Curves(curves) => {
            let both = [(NAMES[0], curves[0].as_ref()), (NAMES[1], curves[1].as_ref())];
            let places = ["stated", "changed"];
            html! {
                div.answers {
                    @for ((name, curve), place) in both.iter().zip(places) {
                        section {
                            h2 { (capital(name)) }
                            (first_lines(curve))
                            p.quiet { a href=(format!("{link}/{place}")) { "the whole page" } ", "
                                a href=(format!("{link}/{place}.json")) { "as JSON" } }
                        }
                    }
                }
                h2 { "Both curves" }
                (side_by_side(&both))
            }
        }
        Answer::Compared(found) => html! {
            div.answers { section { h2 { "The stated load on both" } (compared_lines(found)) } }
            h2 { "Differences" }
            (compared(found))
            p.quiet { a href=(format!("{link}/compared")) { "the whole page" } ", " a href=(format!("{link}/compared.json")) { "as JSON" } }
        },
    }
}

fn capital(name: &str) -> String {
    let mut letters = name.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}
