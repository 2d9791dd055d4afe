//! An order of points in which every beginning is spread over the space.
//!
//! Whoever asks as many points as time allows asks a beginning of this order: every value of every key as often as any other
//! (the balance of a Latin hypercube, whatever was dropped), and among such points the one farthest from those before it
//! (T. F. Gonzalez, Theoretical Computer Science 38, 1985; as a design of experiments: M. E. Johnson, L. M. Moore and
//! D. Ylvisaker, Journal of Statistical Planning and Inference 26, 1990: both from memory). It begins in the middle.
//!
//! Sums are of whole numbers and ties go to the lower number, so that the order is the same on every machine and after every
//! restart.

use crate::engine::{Key, Purpose};
use crate::scenario::{SampleKind, Sweep};

use super::Planned;
use super::plan::Slices;

/// Steps of an axis in distances.
const STEPS: u32 = 1 << 16;
/// Parts of a range that a sample is balanced over.
const PARTS: u64 = 16;
/// Looks at a point and axis that the choice may take, a third of a second; points beyond are in an order drawn at random.
const LOOKS_MAX: usize = 200_000_000;
const REST: Purpose = Purpose::named("rest of a spread order");

/// Where a point lies in an axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Place {
    /// Which of the values, or part of the range.
    value: u32,
    /// Below [`STEPS`].
    at: u32,
}

/// Places in `planned.points`, so ordered that every beginning is spread over the space.
pub fn spread(sweep: &Sweep, planned: &Planned) -> Vec<usize> {
    let slices = Slices::of(sweep);
    let places: Vec<Place> =
        planned.points.iter().flat_map(|point| places(sweep, &slices, point.number)).collect();
    let points = planned.points.len();
    let chosen = LOOKS_MAX / places.len().max(1);
    let mut order = farthest_first(&places, sweep.axes.len(), chosen);
    let mut is_left = vec![true; points];
    order.iter().for_each(|at| is_left[*at] = false);
    let mut rest: Vec<usize> = (0..points).filter(|at| is_left[*at]).collect();
    // The sequence is spread as it is.
    if sweep.sample.is_none_or(|sample| sample.kind != SampleKind::Sobol) {
        let key = Key::root(0).named("spread");
        rest.sort_by_cached_key(|at| {
            let mut draws = key.numbered(planned.points[*at].number).draws(REST);
            (draws.below(1 << 32), *at)
        });
    }
    order.extend(rest);
    order
}

/// Where variant `number` lies in each axis.
fn places(sweep: &Sweep, slices: &Slices, number: u64) -> Vec<Place> {
    if sweep.sample.is_none() {
        let middle = |(at, of): (u64, u64)| Place {
            value: at as u32,
            at: ((2 * at + 1) * u64::from(STEPS) / (2 * of)) as u32,
        };
        return sweep.digits(number).into_iter().map(middle).collect();
    }
    let both = sweep.axes.iter().zip(slices.places(number));
    both.map(|(axis, place)| Place {
        value: (place * (axis.len() as u64).min(PARTS) as f64) as u32,
        at: (place * f64::from(STEPS)) as u32,
    })
    .collect()
}

/// The first `chosen` points, each by its places in so many axes.
fn farthest_first(places: &[Place], axes: usize, chosen: usize) -> Vec<usize> {
    let points = places.len() / axes.max(1);
    let of = |at: usize| &places[at * axes..][..axes];
    let mut tallies: Vec<Tally> =
        (0..axes).map(|axis| Tally::of((0..points).map(|at| of(at)[axis].value))).collect();
    // What lies nearest to the middle counts as the farthest at first.
    let middle = [Place { value: 0, at: STEPS / 2 }].repeat(axes);
    let mut distances: Vec<u64> = (0..points).map(|at| u64::MAX - apart(of(at), &middle)).collect();
    let mut order = Vec::new();
    let mut left: Vec<usize> = (0..points).collect();
    while order.len() < chosen && !left.is_empty() {
        let repeats = |at: usize| -> u64 {
            of(at).iter().zip(&tallies).map(|(place, tally)| tally.repeats(place.value)).sum()
        };
        let best =
            left.iter().enumerate().min_by_key(|(_, at)| (repeats(**at), u64::MAX - distances[**at], **at));
        let Some((place, &next)) = best else { break };
        left.remove(place);
        of(next).iter().zip(&mut tallies).for_each(|(place, tally)| tally.used[place.value as usize] += 1);
        for at in &left {
            let own = apart(of(*at), of(next));
            distances[*at] = if order.is_empty() { own } else { distances[*at].min(own) };
        }
        order.push(next);
    }
    order
}

/// How often each value of an axis was chosen.
struct Tally {
    used: Vec<u64>,
    /// Values that some point has.
    values: u64,
}

impl Tally {
    fn of(values: impl Iterator<Item = u32>) -> Self {
        let mut met: Vec<bool> = Vec::new();
        for value in values {
            let value = value as usize;
            if met.len() <= value {
                met.resize(value + 1, false);
            }
            met[value] = true;
        }
        Tally { used: vec![0; met.len()], values: met.into_iter().filter(|met| *met).count() as u64 }
    }

    /// Times that a value was chosen, as a share of all: once more of a key with many values counts for more.
    fn repeats(&self, value: u32) -> u64 {
        self.used[value as usize] * self.values
    }
}

/// Square of the distance.
fn apart(a: &[Place], b: &[Place]) -> u64 {
    a.iter().zip(b).map(|(a, b)| u64::from(a.at.abs_diff(b.at)).pow(2)).sum()
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;
    use std::path::Path;

    use super::super::plan::{Base, plan};
    use super::*;
    use crate::scenario::parse_sweep;

    const BASE: &str = "[design.cpu]\ncores = 2\nservice = \"10 us\"\n[[class]]\nname = \"a\"\nmachines = 1\n\
                        load = { rate = \"50000/s\" }\nread = 1\nsizes = \"4 KiB\"\n";

    fn planned(text: &str) -> (Sweep, Planned) {
        let text = format!("base = \"b.toml\"\n{text}");
        let sweep = parse_sweep(&text, "s.toml", Path::new("")).unwrap_or_else(|wrong| panic!("{wrong}"));
        let base = Base::new(&sweep, BASE.into());
        let planned = plan(&sweep, &base, None).expect("a plan");
        (sweep, planned)
    }

    /// Values of each key among the first points of the order, and all points.
    fn met(planned: &Planned, order: &[usize], first: usize) -> Vec<usize> {
        let keys = planned.points[0].sets.len();
        let of = |key: usize| {
            let met: HashSet<&str> =
                order[..first].iter().map(|at| planned.points[*at].sets[key].1.as_str()).collect();
            met.len()
        };
        (0..keys).map(of).collect()
    }

    #[test]
    fn a_beginning_as_long_as_the_longest_key_has_every_value_of_every_key() {
        let (sweep, planned) = planned(
            "[vary]\ndesign.cpu.cores = [1, 2, 3, 4, 6]\n\
             \"class.a.load.rate\" = { from = \"20000/s\", to = \"160000/s\", points = 8 }\n\
             \"run.seed\" = { from = 1, to = 5, points = 5 }\n",
        );
        let order = spread(&sweep, &planned);
        assert_eq!(met(&planned, &order, 8), [5, 8, 5], "{:?}", &order[..8]);
        let mut all = order.clone();
        all.sort_unstable();
        assert_eq!(all, (0..200).collect::<Vec<_>>(), "each point once");
        // In the middle: neither key at an end.
        let first: Vec<&str> =
            planned.points[order[0]].sets.iter().map(|(_, value)| value.as_str()).collect();
        assert_eq!(first[0], "3");
        // Twice as long, each value of the five twice at least.
        for key in [0, 2] {
            for value in planned.points.iter().map(|point| &point.sets[key].1) {
                let times =
                    order[..16].iter().filter(|at| planned.points[**at].sets[key].1 == *value).count();
                assert!((2..=4).contains(&times), "{value}: {times}");
            }
        }
    }

    /// What was dropped leaves holes, and the rest is spread over what is there: half of the values of a key are gone.
    #[test]
    fn holes_do_not_matter() {
        let (sweep, planned) = planned(
            "[vary]\ndesign.cpu.cores = [0, 1, 2, 3]\n\
             \"class.a.load.rate\" = [\"20000/s\", \"40000/s\", \"60000/s\", \"150000/s\"]\n[drop]\nbusy_above = 0.9\n",
        );
        assert!(planned.points.len() < 12);
        let order = spread(&sweep, &planned);
        assert_eq!(met(&planned, &order, 4), [3, 4], "{:?}", &order[..4]);
    }

    /// A sample has no two values alike: 16 of 256 points lie in 16 unlike parts of each range.
    #[test]
    fn a_beginning_of_a_sample_is_spread_in_every_key() {
        for kind in ["sobol", "latin-hypercube"] {
            let (sweep, planned) = planned(&format!(
                "[vary]\n\"class.a.load.rate\" = {{ from = \"20000/s\", to = \"160000/s\", points = 99 }}\n\
                 \"class.a.read\" = {{ from = 0.0, to = 1.0, points = 99 }}\n[sample]\npoints = 256\nkind = \"{kind}\"\n"
            ));
            let order = spread(&sweep, &planned);
            let slices = Slices::of(&sweep);
            for axis in 0..2 {
                let part = |at: &usize| (slices.places(planned.points[*at].number)[axis] * 16.0) as usize;
                let parts: HashSet<usize> = order[..16].iter().map(part).collect();
                assert_eq!(parts.len(), 16, "{kind}, axis {axis}");
            }
        }
    }

    /// Beyond what can be chosen with care every point still comes once.
    #[test]
    fn what_is_too_much_to_choose_comes_in_an_order_drawn_once() {
        let places: Vec<Place> = (0..100).map(|n| Place { value: n, at: n * 600 }).collect();
        assert_eq!(farthest_first(&places, 1, 3), [55, 0, 99]);
    }
}
