//! One server and a queue of two levels whose next item the model chooses, and whose service it tells when the
//! item begins.

use std::collections::VecDeque;

use super::Item;

/// An explicit queue of two levels whose next item is chosen.
#[derive(Debug)]
pub struct Chosen {
    look: usize,
    waiting: [VecDeque<Waiting>; 2],
    pub serving: Option<Item>,
    /// When the present service began.
    since: u64,
}

/// A token that waits for a service not yet known.
#[derive(Clone, Copy, Debug)]
pub struct Waiting {
    pub token: u32,
    pub group: u16,
    pub level: u8,
    pub demand: u32,
    pub entered: u64,
}

impl Waiting {
    /// The item that it is, with the service promised to it.
    fn item(&self, service: u64) -> Item {
        let Waiting { token, group, level, entered, .. } = *self;
        Item { token, group, level, entered, service, remaining: service }
    }
}

impl Chosen {
    pub fn new(look: u32) -> Self {
        let waiting = [VecDeque::new(), VecDeque::new()];
        Chosen { look: look.max(1) as usize, waiting, serving: None, since: 0 }
    }

    /// A token comes.
    pub fn arrive(&mut self, waiting: Waiting) {
        self.waiting[usize::from(waiting.level)].push_back(waiting);
    }

    /// Takes what is served next: of the lowest level with anyone, the lowest rank of those looked at.
    pub fn take(&mut self, mut rank: impl FnMut(&Waiting) -> u64) -> Option<Waiting> {
        let level = self.waiting.iter_mut().find(|level| !level.is_empty())?;
        if self.look == 1 {
            return level.pop_front();
        }
        // Of equal ranks the first is kept.
        let best = (0..level.len().min(self.look)).min_by_key(|at| rank(&level[*at]))?;
        level.remove(best)
    }

    /// Begins to serve; when it is done.
    pub fn begin(&mut self, now: u64, waiting: Waiting, service: u64) -> u64 {
        self.since = now;
        self.serving = Some(waiting.item(service));
        now + service
    }

    /// Items present: those who wait are promised no service yet.
    pub fn items(&self) -> impl Iterator<Item = Item> {
        self.waiting.iter().flatten().map(|waiting| waiting.item(0)).chain(self.serving)
    }

    /// What is left of the service in hand; nothing is promised to those who wait.
    pub fn residual(&self, now: u64) -> u64 {
        self.serving.map_or(0, |item| item.service.saturating_sub(now - self.since))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_lowest_rank_among_those_that_came_first_is_chosen() {
        let waiting = |token, level| Waiting { token, group: 0, level, demand: 0, entered: 0 };
        let order = |look: u32, ranks: &[u64]| {
            let mut chosen = Chosen::new(look);
            chosen.arrive(waiting(99, 1));
            (0..ranks.len() as u32).for_each(|token| chosen.arrive(waiting(token, 0)));
            let rank = |w: &Waiting| ranks.get(w.token as usize).copied().unwrap_or(0);
            std::iter::from_fn(|| chosen.take(rank)).map(|w| w.token).collect::<Vec<_>>()
        };
        assert_eq!(order(1, &[3, 1, 2]), [0, 1, 2, 99], "first come, first served; the higher level last");
        assert_eq!(order(32, &[3, 1, 1, 2]), [1, 2, 3, 0, 99], "of equal ranks the first to come");
        assert_eq!(order(2, &[5, 4, 0, 1]), [1, 2, 3, 0, 99], "no further than two");
    }
}
