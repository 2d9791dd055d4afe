//! What happens behind a write's answer: stripes on their way to the drives, and the cleaner behind them.
//!
//! **In place**: the blocks that the log has gathered of a stripe, as a write of theirs would go. **Log-structured**: old
//! blocks and look-ups → join → processor (fingerprint, compress) → parity → full stripe → the cleaner's stripes, each
//! read, coded and written. Then the room in the log is free, and the job takes the next stripe. With
//! `when = "after"` the stripe is read again behind that, reduced, and written where a stripe is full.

use super::{Builder, Step};
use crate::engine::Route;
use crate::scenario::Operation;
use crate::system::demand::{Ask, question};

impl Builder {
    /// The route that destages: a loop over stripes, as long as there are some. With no log, that of the cleaner.
    pub(super) fn destaging(&mut self) -> Option<Route> {
        let Some(log) = self.log else {
            self.appends?;
            let mut steps = vec![Step::Ask(question::BEGIN_CLEANING)];
            steps.extend(self.clean());
            steps.extend([Step::Ask(question::DONE), Step::End]);
            return Some(self.route_behind(&steps));
        };
        let appends = self.appends.is_some();
        let mut turn = if appends { self.full_stripe() } else { self.in_place() };
        if !appends {
            turn.extend(self.memory.map(|memory| memory.reduce()));
        }
        turn.extend([log.release(), Step::Ask(question::RELEASED)]);
        if self.appends.is_some_and(|appends| appends.after) {
            turn.extend(self.pass());
        }
        turn.push(Step::Ask(question::DONE));
        let length = turn.len() as u32;
        // TAKE leaves out the skip; without a stripe the skip leads to the end.
        let mut steps = vec![Step::Ask(question::TAKE), Step::Skip(length + 2)];
        steps.extend(turn);
        steps.extend([Step::Ask(question::TAKE_NEXT), Step::Back(length + 1), Step::End]);
        Some(self.route_behind(&steps))
    }

    fn route_behind(&mut self, steps: &[Step]) -> Route {
        let steps = self.network.behind(steps);
        self.network.route(&steps)
    }

    /// A stripe of the log-structured layout, up to the cleaner's share.
    fn full_stripe(&mut self) -> Vec<Step> {
        let mut steps = self.reduce();
        steps.extend(self.stripe());
        steps.extend(self.clean());
        steps
    }

    /// A write with no log: its own stripe, before it is answered; the cleaner follows on its own.
    pub(super) fn append(&mut self) -> Vec<Step> {
        let mut steps = vec![Step::Ask(question::BEGIN_WRITE)];
        steps.extend(self.reduce());
        steps.extend(self.stripe());
        steps.push(Step::Ask(question::DONE));
        if let Some(cleaner) = self.destage {
            steps.extend([Step::Ask(question::CLEANING_IS_DUE), Step::Spawn(cleaner)]);
        }
        steps
    }

    /// What is read first, and the processor's work on the blocks.
    fn reduce(&mut self) -> Vec<Step> {
        let read = self.round(Operation::Read);
        let mut steps = vec![Step::Ask(question::READS_FIRST), read, Step::Ask(question::NEXT_ROUND)];
        steps.extend(self.work());
        steps.extend(self.memory.map(|memory| memory.reduce()));
        steps
    }

    /// The processor's work, block by block on any core.
    fn work(&mut self) -> Vec<Step> {
        let works = self.appends.is_some_and(|appends| appends.works);
        let Some(cpu) = self.cpu.filter(|_| works) else { return Vec::new() };
        let work = cpu.work(&mut self.network, Ask::Work);
        let route = self.network.route(&[work, Step::Join]);
        vec![Step::Ask(question::HAS_WORK), Step::Fork { question: question::WORK, route }]
    }

    /// Parity, and the stripe itself.
    fn stripe(&mut self) -> Vec<Step> {
        let mut turn = vec![Step::Ask(question::PLAN_STRIPE)];
        turn.extend(self.coding(Ask::Parity));
        turn.push(self.round(Operation::Write));
        // STORES leaves out the skip; with nothing to store the skip leaves out the stripe.
        let mut steps = vec![Step::Ask(question::STORES), Step::Skip(turn.len() as u32)];
        steps.extend(turn);
        steps
    }

    /// The cleaner's stripes, as long as it owes some.
    fn clean(&mut self) -> Vec<Step> {
        let mut turn = vec![Step::Ask(question::NEXT_ROUND), self.round(Operation::Read)];
        turn.push(Step::Ask(question::NEXT_ROUND));
        turn.extend(self.stripe());
        let length = turn.len() as u32;
        let mut steps = vec![Step::Ask(question::CLEANS), Step::Skip(length + 1)];
        steps.extend(turn);
        steps.push(Step::Back(length + 2));
        steps
    }

    /// The stripe is read again and reduced; where that fills another, it is written.
    fn pass(&mut self) -> Vec<Step> {
        let mut steps = vec![Step::Ask(question::BEGIN_PASS), Step::Ask(question::NEXT_ROUND)];
        steps.push(self.round(Operation::Read));
        steps.push(Step::Ask(question::NEXT_ROUND));
        steps.extend(self.work());
        let mut turn = self.stripe();
        turn.extend(self.clean());
        steps.extend([Step::Ask(question::PASS_FILLS), Step::Skip(turn.len() as u32)]);
        steps.extend(turn);
        steps
    }

    /// A drive read of an entry of the block map.
    pub(super) fn look_up(&mut self) -> Step {
        let mut steps = vec![Step::Ask(question::AT_DRIVE_READ)];
        steps.extend(self.fragment(Operation::Read));
        steps.extend(self.mirrored.then_some(Step::Ask(question::LEFT_DRIVE)));
        steps.push(Step::Join);
        Step::Fork { question: question::MAP_READ, route: self.network.route(&steps) }
    }
}
