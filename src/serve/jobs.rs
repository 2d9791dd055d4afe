//! Work in the background: scenarios that are asked again with a change, one at a time.
//!
//! One thread takes them in the order in which they came; what it simulates spreads over the pool of all threads, as it does
//! for every command. Load curves are kept in memory by what they were made from, so that a further change to the same
//! scenario does not ask the scenario itself again.

use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use crate::outcome::{CompareOutcome, KneeOutcome};
use crate::scenario::Scenario;
use crate::study::{self, Contender, Context};

/// Jobs that are kept, waiting ones among them.
const KEPT: usize = 20;
/// Load curves that are kept.
const CURVES: usize = 40;
/// What the two designs of a job are called.
pub const NAMES: [&str; 2] = ["as stated", "changed"];

/// What is asked of both designs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Question {
    /// Latency over load, where it bends and where it is full.
    Knee,
    /// The stated load on both, request for request.
    Compare,
}

impl Question {
    /// All of them.
    pub const ALL: [Question; 2] = [Question::Knee, Question::Compare];

    /// As a form spells it.
    pub const fn word(self) -> &'static str {
        match self {
            Question::Knee => "knee",
            Question::Compare => "compare",
        }
    }
}

/// What was found.
#[derive(Clone, Debug)]
pub enum Answer {
    /// The curves of both designs.
    Curves([Arc<KneeOutcome>; 2]),
    /// Their differences.
    Compared(Arc<CompareOutcome>),
}

/// Where a job stands.
#[derive(Clone, Debug)]
pub enum Standing {
    /// Others are before it.
    Waiting,
    /// What is being done.
    Running(String),
    /// Both designs have answered.
    Done(Answer),
    /// Why there is no answer.
    Failed(String),
    /// Somebody stopped it.
    Stopped,
}

impl Standing {
    /// In one word.
    pub const fn word(&self) -> &'static str {
        match self {
            Standing::Waiting => "waiting",
            Standing::Running(_) => "running",
            Standing::Done(_) => "done",
            Standing::Failed(_) => "failed",
            Standing::Stopped => "stopped",
        }
    }

    /// Whether nothing more will happen.
    pub const fn is_end(&self) -> bool {
        !matches!(self, Standing::Waiting | Standing::Running(_))
    }
}

/// What a form asks for.
#[derive(Clone, Debug)]
pub struct Asked {
    /// The scenario's file name.
    pub scenario: String,
    /// Changes as they were typed, one a line.
    pub sets: String,
    /// What to ask.
    pub question: Question,
}

/// A scenario as stated and changed, asked the same.
pub struct Job {
    /// From 1.
    pub number: u64,
    /// What was asked for.
    pub asked: Asked,
    designs: Option<[Scenario; 2]>,
    interrupted: AtomicBool,
    standing: Mutex<Standing>,
}

impl Job {
    /// Where it stands now.
    pub fn standing(&self) -> Standing {
        held(&self.standing).clone()
    }

    fn set(&self, standing: Standing) {
        *held(&self.standing) = standing;
    }

    /// Ends it, soon if it runs and at once if it waits.
    fn stop(&self) {
        self.interrupted.store(true, Ordering::Relaxed);
        let mut standing = held(&self.standing);
        if matches!(*standing, Standing::Waiting) {
            *standing = Standing::Stopped;
        }
    }

    /// Whether somebody stopped it.
    pub fn is_stopped(&self) -> bool {
        self.interrupted.load(Ordering::Relaxed)
    }
}

/// All jobs of a server.
#[derive(Default)]
pub struct Jobs {
    shelf: Mutex<Shelf>,
    changed: Condvar,
}

#[derive(Default)]
struct Shelf {
    jobs: VecDeque<Arc<Job>>,
    made: u64,
    curves: VecDeque<(String, Arc<KneeOutcome>)>,
    is_closed: bool,
    is_busy: bool,
}

/// A thread that died holding it left nothing half done: every change is one assignment.
fn held<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Jobs {
    /// Takes work in: both designs, or why they cannot be asked. None if too many wait.
    pub fn add(&self, asked: Asked, designs: Result<[Scenario; 2], String>) -> Option<u64> {
        let mut shelf = held(&self.shelf);
        if shelf.jobs.len() >= KEPT {
            let ended = shelf.jobs.iter().position(|job| job.standing().is_end())?;
            shelf.jobs.remove(ended);
        }
        shelf.made += 1;
        let (designs, standing) = match designs {
            Ok(designs) => (Some(designs), Standing::Waiting),
            Err(why) => (None, Standing::Failed(why)),
        };
        let number = shelf.made;
        let interrupted = AtomicBool::new(false);
        shelf.jobs.push_back(Arc::new(Job {
            number,
            asked,
            designs,
            interrupted,
            standing: Mutex::new(standing),
        }));
        self.changed.notify_all();
        Some(number)
    }

    /// A job, and how many are before it that have not ended.
    pub fn get(&self, number: u64) -> Option<(Arc<Job>, usize)> {
        let shelf = held(&self.shelf);
        let at = shelf.jobs.iter().position(|job| job.number == number)?;
        let before = shelf.jobs.iter().take(at).filter(|job| !job.standing().is_end()).count();
        Some((Arc::clone(&shelf.jobs[at]), before))
    }

    /// The jobs that are kept, the newest first.
    pub fn all(&self) -> Vec<Arc<Job>> {
        held(&self.shelf).jobs.iter().rev().cloned().collect()
    }

    /// Stops one.
    pub fn stop(&self, number: u64) {
        if let Some((job, _)) = self.get(number) {
            job.stop();
        }
    }

    /// Stops all, takes no more, and waits for the one that runs, but no longer than this.
    pub fn close(&self, longest: Duration) {
        let mut shelf = held(&self.shelf);
        shelf.is_closed = true;
        shelf.jobs.iter().for_each(|job| job.stop());
        self.changed.notify_all();
        // What is still at it then ends with the process.
        let _ = self.changed.wait_timeout_while(shelf, longest, |shelf| shelf.is_busy);
    }

    /// Does one job after the other until all is closed.
    pub fn work(&self) {
        while let Some(job) = self.next() {
            let ended = catch_unwind(AssertUnwindSafe(|| self.ask(&job)))
                .unwrap_or_else(|_| Err("a fault of forebay ended this; its terminal says where".to_owned()));
            job.set(match ended {
                _ if job.is_stopped() => Standing::Stopped,
                Ok(answer) => Standing::Done(answer),
                Err(why) => Standing::Failed(why),
            });
            held(&self.shelf).is_busy = false;
            self.changed.notify_all();
        }
    }

    fn next(&self) -> Option<Arc<Job>> {
        let mut shelf = held(&self.shelf);
        loop {
            if shelf.is_closed {
                return None;
            }
            let waiting = shelf.jobs.iter().find(|job| matches!(job.standing(), Standing::Waiting)).cloned();
            if let Some(job) = waiting {
                shelf.is_busy = true;
                job.set(Standing::Running("begins".into()));
                return Some(job);
            }
            shelf = self.changed.wait(shelf).unwrap_or_else(PoisonError::into_inner);
        }
    }

    fn ask(&self, job: &Job) -> Result<Answer, String> {
        let [stated, changed] = job.designs.as_ref().ok_or("there is nothing to ask")?;
        match job.asked.question {
            Question::Knee => {
                Ok(Answer::Curves([self.curve(job, NAMES[0], stated)?, self.curve(job, NAMES[1], changed)?]))
            }
            Question::Compare => {
                let say = |words: &str| job.set(Standing::Running(words.to_owned()));
                let context =
                    Context { interrupted: &job.interrupted, time: None, progress: &say, detail: false };
                let designs = [stated, changed].into_iter().zip(NAMES);
                let contenders: Vec<Contender> = designs
                    .map(|(scenario, name)| Contender { name: name.into(), scenario: scenario.clone() })
                    .collect();
                let found = study::compare(&contenders, &context).map_err(|error| error.to_string())?;
                Ok(Answer::Compared(Arc::new(found)))
            }
        }
    }

    /// The load curve of a design, or the one that is kept of it.
    fn curve(&self, job: &Job, name: &str, scenario: &Scenario) -> Result<Arc<KneeOutcome>, String> {
        let key = study::answer_key(scenario)?;
        let kept =
            held(&self.shelf).curves.iter().find(|(other, _)| *other == key).map(|(_, c)| Arc::clone(c));
        if let Some(kept) = kept {
            return Ok(kept);
        }
        let say = |words: &str| job.set(Standing::Running(format!("{name}: {words}")));
        let context = Context { interrupted: &job.interrupted, time: None, progress: &say, detail: false };
        let found = study::knee(scenario, &context).map_err(|error| format!("{name}: {error}"))?;
        let found = Arc::new(found);
        if !job.is_stopped() {
            let mut shelf = held(&self.shelf);
            if shelf.curves.len() >= CURVES {
                shelf.curves.pop_front();
            }
            shelf.curves.push_back((key, Arc::clone(&found)));
        }
        Ok(found)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked() -> Asked {
        Asked { scenario: "a.toml".into(), sets: String::new(), question: Question::Knee }
    }

    /// What was asked once is taken from memory; another scenario of the same name is not.
    #[test]
    fn the_stated_curve_is_asked_once() {
        let scenario = |cores: u32, seed: u32| {
            let text = format!(
                "[run]\nseed = {seed}\nlength = \"20 ms\"\nwarm_up = \"2 ms\"\nreplications = 2\n[design.cpu]\n\
                 cores = {cores}\nservice = {{ mean = \"10 us\", shape = \"exponential\" }}\n[[class]]\nname = \"a\"\n\
                 machines = 1\nload = {{ rate = \"50000/s\" }}\nread = 1\nsizes = \"4 KiB\"\n"
            );
            crate::scenario::parse(&text, "a.toml", std::path::Path::new(""), &[]).expect("a scenario")
        };
        let jobs = Jobs::default();
        for designs in [[(2, 1), (3, 1)], [(2, 1), (4, 1)], [(2, 2), (3, 2)]] {
            jobs.add(asked(), Ok(designs.map(|(cores, seed)| scenario(cores, seed))));
        }
        let curves = std::thread::scope(|scope| {
            scope.spawn(|| jobs.work());
            let curves = [1, 2, 3].map(|number| {
                loop {
                    match jobs.get(number).expect("kept").0.standing() {
                        Standing::Done(Answer::Curves(curves)) => break curves,
                        other => assert!(!other.is_end(), "{other:?}"),
                    }
                    std::thread::sleep(Duration::from_millis(5));
                }
            });
            jobs.close(Duration::from_secs(60));
            curves
        });
        assert!(Arc::ptr_eq(&curves[0][0], &curves[1][0]));
        assert!(!Arc::ptr_eq(&curves[0][0], &curves[2][0]));
        assert_ne!(curves[0][1].saturation, curves[1][1].saturation);
    }

    #[test]
    fn the_oldest_that_ended_makes_room_and_none_that_waits() {
        let jobs = Jobs::default();
        for number in 1..=KEPT as u64 + 3 {
            assert_eq!(jobs.add(asked(), Err("no".into())), Some(number));
        }
        assert_eq!(jobs.all().len(), KEPT);
        assert!(jobs.get(3).is_none() && jobs.get(4).is_some());
        let scenario = crate::scenario::parse(crate::scenario::starter(), "s", std::path::Path::new(""), &[]);
        let scenario = scenario.expect("the starter");
        for _ in 0..KEPT {
            assert!(jobs.add(asked(), Ok([scenario.clone(), scenario.clone()])).is_some());
        }
        assert_eq!(jobs.add(asked(), Err("no".into())), None);
        // Nobody works here: what waits ends at once, and closing waits for nothing.
        jobs.close(Duration::from_secs(60));
        assert!(jobs.all().iter().all(|job| matches!(job.standing(), Standing::Stopped)));
        jobs.work();
    }
}
