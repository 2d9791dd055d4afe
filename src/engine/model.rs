//! What the kernel asks of a model, and what it tells it.

use super::cell::Cell;
use super::draws::Key;
use super::route::Route;
use super::time::{SimDuration, SimTime};
use super::token::{MEMBER_SLOTS, Token};

/// A request that arrives.
#[derive(Clone, Copy, Debug)]
pub struct Arrival<B> {
    /// Names every draw made for it.
    pub key: Key,
    /// The model's class.
    pub class: u16,
    /// What it does.
    pub route: Route,
    /// Amount of work.
    pub amount: u32,
    /// Members it starts with.
    pub members: [u32; MEMBER_SLOTS],
    /// The model's own data.
    pub body: B,
    /// When this source has its next arrival; `None` if it has no more, or waits for `finish`.
    pub next: Option<SimTime>,
}

/// A fragment of a request.
#[derive(Clone, Copy, Debug)]
pub struct Part<B> {
    /// Amount of work.
    pub amount: u32,
    /// Members it goes to.
    pub members: [u32; MEMBER_SLOTS],
    /// The model's own data.
    pub body: B,
}

/// What the kernel asks of a model. Monomorphised: there is no dispatch per event.
pub trait Model {
    /// The model's own data in a token: at most 16 bytes to keep a token one cache line.
    type Body: Copy + Default;

    /// The request that arrives at `source` now.
    fn arrive(&mut self, source: u32, now: SimTime) -> Arrival<Self::Body>;

    /// The service of `Demand::Asked(demand)` for this token.
    fn service(&mut self, demand: u32, token: &Token<Self::Body>) -> SimDuration {
        let _ = (demand, token);
        SimDuration::ZERO
    }

    /// The same at a station of the `Chosen` discipline, where the token begins to be served now.
    fn begin(&mut self, demand: u32, token: &Token<Self::Body>, now: SimTime) -> SimDuration {
        let _ = now;
        self.service(demand, token)
    }

    /// How late a token that waits at such a station should be served, were one to begin now: the lowest rank goes
    /// first, and of equal ranks the token that came first.
    fn rank(&mut self, demand: u32, token: &Token<Self::Body>, now: SimTime) -> u64 {
        let _ = (demand, token, now);
        0
    }

    /// The member of `Pick::Ask(question)`.
    fn pick(&mut self, question: u16, token: &Token<Self::Body>) -> u32 {
        let _ = (question, token);
        0
    }

    /// A look at the token, which may be changed; returns how many steps it leaves out.
    fn ask(&mut self, question: u32, token: &mut Token<Self::Body>, now: SimTime) -> u32 {
        let _ = (question, token, now);
        0
    }

    /// The amount of `Quantity::Asked(question)`.
    fn quantity(&mut self, question: u16, token: &Token<Self::Body>) -> u64 {
        let _ = (question, token);
        0
    }

    /// Cuts the token in fragments: at least one, at most 65,535.
    fn fork(&mut self, question: u32, token: &Token<Self::Body>, parts: &mut Vec<Part<Self::Body>>) {
        let _ = (question, token, parts);
    }

    /// A request is done: `row` says where its time went, by group. Returns a source that has an
    /// arrival because of it (a closed loop).
    fn finish(&mut self, token: &Token<Self::Body>, row: &[Cell], now: SimTime) -> Option<(u32, SimTime)>;

    /// Asked after each finished request: whether to stop here.
    fn is_done(&self) -> bool {
        false
    }
}

/// Why the kernel came back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stop {
    /// The time was reached.
    Time,
    /// The model is done.
    Done,
    /// More requests in the system than the backlog allows.
    Backlog,
}
