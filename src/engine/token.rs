//! Tokens: what travels along a route. One token is one cache line.
//!
//! A token is a request, a fragment of one, or background work that nobody waits for. Tokens live
//! in a slab and are named by their place in it, so that an event is a `u32`.

use super::cell::Cell;
use super::draws::Key;
use super::time::SimTime;

/// No token.
pub(super) const NONE: u32 = u32::MAX;
/// Parent of a token that nobody waits for.
pub(super) const DETACHED: u32 = u32::MAX - 1;

/// Member slots of a token: which member of a group a step goes to.
pub const MEMBER_SLOTS: usize = 3;

/// What travels along a route. `B` is the model's own data (at most 16 bytes to stay one line).
#[derive(Clone, Copy, Debug, Default)]
#[repr(align(64))]
pub struct Token<B> {
    /// Names every draw made for it.
    pub key: Key,
    /// When the request was due to start.
    pub born: SimTime,
    /// The model's own data.
    pub body: B,
    /// Amount of work (bytes, say): the model's demands may depend on it, a gate may take it.
    pub amount: u32,
    /// The members that steps with `Pick::Member` go to.
    pub members: [u32; MEMBER_SLOTS],
    pub(super) step: u32,
    pub(super) parent: u32,
    /// While the token is free, the next free place; while it is served, the station that serves it.
    pub(super) link: u32,
    /// Fragments still out.
    pub(super) pending: u16,
    /// The model's class of requests.
    pub class: u16,
}

/// Cells are kept in cache lines of four, so that clearing and adding rows needs no loop of odd length.
type Line = [Cell; 4];

/// The slab of tokens and, beside it, each token's row of times by group of stations.
pub(super) struct Slab<B> {
    pub tokens: Vec<Token<B>>,
    rows: Vec<Line>,
    /// Lines of a row.
    lines: usize,
    groups: usize,
    free: u32,
}

impl<B: Copy + Default> Slab<B> {
    pub fn new(groups: usize) -> Self {
        Slab { tokens: Vec::new(), rows: Vec::new(), lines: groups.div_ceil(4), groups, free: NONE }
    }

    /// Takes a place, its row all zero. The caller fills every field of the token where it stands: a
    /// token made elsewhere and copied would wait for its own stores.
    #[inline]
    pub fn take(&mut self) -> u32 {
        let slot = self.free;
        let Some(place) = self.tokens.get(slot as usize) else { return self.grow() };
        self.free = place.link;
        let at = slot as usize * self.lines;
        match &mut self.rows[at..at + self.lines] {
            // Small networks have one line or two: cleared in place, without a call.
            [line] => *line = Line::default(),
            [one, two] => (*one, *two) = (Line::default(), Line::default()),
            lines => lines.fill(Line::default()),
        }
        slot
    }

    #[cold]
    fn grow(&mut self) -> u32 {
        let slot = self.tokens.len() as u32;
        self.tokens.push(Token::default());
        self.rows.resize(self.rows.len() + self.lines, Line::default());
        slot
    }

    #[inline]
    pub fn give(&mut self, slot: u32) {
        self.tokens[slot as usize].link = self.free;
        self.free = slot;
    }

    #[inline]
    pub fn row(&self, slot: u32) -> &[Cell] {
        let at = slot as usize * self.lines;
        &self.rows[at..at + self.lines].as_flattened()[..self.groups]
    }

    #[inline]
    pub fn cell_mut(&mut self, slot: u32, group: u16) -> &mut Cell {
        &mut self.rows[slot as usize * self.lines + usize::from(group / 4)][usize::from(group % 4)]
    }

    /// Adds the row of a fragment to that of its parent.
    #[inline]
    pub fn add_row(&mut self, parent: u32, fragment: u32) {
        let (to, from) = (parent as usize * self.lines, fragment as usize * self.lines);
        for l in 0..self.lines {
            let line = self.rows[from + l];
            for (cell, more) in self.rows[to + l].iter_mut().zip(line) {
                cell.wait += more.wait;
                cell.service += more.service;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_is_one_cache_line() {
        assert_eq!(size_of::<Token<[u64; 2]>>(), 64);
    }
}
