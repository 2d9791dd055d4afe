//! Several servers and a queue of two levels: whoever is free takes the lower level first.

use std::collections::VecDeque;

use super::Item;

/// An explicit queue of two levels before several servers; a service that has begun is finished.
#[derive(Debug)]
pub struct Ranked {
    servers: usize,
    waiting: [VecDeque<Item>; 2],
    /// In service: when it ends, its number in order of beginning, the item. As many as servers, so that a
    /// look at all of them is cheaper than order among them.
    serving: Vec<(u64, u64, Item)>,
    begun: u64,
}

impl Ranked {
    pub fn new(servers: u32) -> Self {
        let servers = servers as usize;
        Ranked {
            servers,
            waiting: [VecDeque::new(), VecDeque::new()],
            serving: Vec::with_capacity(servers),
            begun: 0,
        }
    }

    /// An item comes; if a server is free for it, when its service ends.
    pub fn arrive(&mut self, now: u64, item: Item) -> Option<u64> {
        if self.serving.len() == self.servers {
            self.waiting[usize::from(item.level)].push_back(item);
            return None;
        }
        Some(self.begin(now, item))
    }

    /// A service ends now: the item that is done, and when the service that begins in its place ends. Of
    /// services that end together the one that began first is done first.
    pub fn turn(&mut self, now: u64) -> (Option<Item>, Option<u64>) {
        let ends = self.serving.iter().enumerate().min_by_key(|(_, (end, number, _))| (*end, *number));
        let Some((at, _)) = ends else { return (None, None) };
        let (_, _, done) = self.serving.swap_remove(at);
        let next = self.waiting.iter_mut().find_map(VecDeque::pop_front);
        (Some(done), next.map(|item| self.begin(now, item)))
    }

    fn begin(&mut self, now: u64, item: Item) -> u64 {
        let end = now + item.service;
        self.begun += 1;
        self.serving.push((end, self.begun, item));
        end
    }

    /// Items present, waiting or in service.
    pub fn items(&self) -> impl Iterator<Item = &Item> {
        self.waiting.iter().flatten().chain(self.serving.iter().map(|(_, _, item)| item))
    }

    /// Work promised and not done, ps of server time.
    pub fn residual(&self, now: u64) -> u64 {
        let waiting: u64 = self.waiting.iter().flatten().map(|item| item.service).sum();
        waiting + self.serving.iter().map(|(end, _, _)| end.saturating_sub(now)).sum::<u64>()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn item(token: u32, level: u8, service: u64) -> Item {
        Item { token, group: 0, level, entered: 0, service, remaining: service }
    }

    #[test]
    fn the_lower_level_goes_first_and_nobody_is_interrupted() {
        let mut queue = Ranked::new(2);
        assert_eq!(queue.arrive(0, item(1, 1, 100)), Some(100));
        assert_eq!(queue.arrive(0, item(2, 1, 30)), Some(30));
        assert_eq!(queue.arrive(1, item(3, 1, 10)), None);
        assert_eq!(queue.arrive(2, item(4, 0, 10)), None);
        assert_eq!(queue.residual(10), 90 + 20 + 10 + 10);
        let (done, next) = queue.turn(30);
        assert_eq!((done.map(|i| i.token), next), (Some(2), Some(40)), "4 overtakes 3, not 1");
        let (done, next) = queue.turn(40);
        assert_eq!((done.map(|i| i.token), next), (Some(4), Some(50)));
        assert_eq!(queue.turn(50).0.map(|i| i.token), Some(3));
        assert_eq!(queue.turn(100).0.map(|i| i.token), Some(1));
    }

    #[test]
    fn services_that_end_together_are_done_in_order_of_beginning() {
        let mut queue = Ranked::new(3);
        for token in 1..=3 {
            queue.arrive(u64::from(token), item(token, 0, 10 - u64::from(token)));
        }
        let done: Vec<_> = (0..3).filter_map(|_| queue.turn(10).0).map(|i| i.token).collect();
        assert_eq!(done, [1, 2, 3]);
    }
}
