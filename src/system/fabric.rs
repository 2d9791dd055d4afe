//! The fabric: shared links between processor and drives, full duplex, with hop latency. Uplinks that share
//! the drives among them, or a tree of named links, all of which a message passes on its way.
//!
//! Direction follows the data; each command also sends a submission down and a completion up.
//! Commands queue behind other traffic on a shared link; the switches' hops are paid once for the way
//! down and back. A tree has as many ways as it has links that drives hang on: a message asks for the first
//! step of its drive's way and leaves out the others.

use crate::engine::{Demand, Discipline, GroupId, Law, Network, Pick, Purpose, SimDuration, Step};
use crate::scenario::{Deal, Fabric as Given, FabricShape, Interface, TreeLink};

use super::bus::{Bus, COMPLETION, SUBMISSION};
use super::demand::{Ask, at_place, question};

/// The links as the path needs them while it runs.
#[derive(Clone, Debug)]
pub(super) struct Fabric {
    /// By place of a demand: one for all uplinks, or one for each link of a tree.
    links: Vec<Link>,
    drives: u32,
    uplinks: u32,
    deal: Deal,
    /// By drive: steps that a message leaves out before its way down, and before its way up.
    skips: Vec<[u32; 2]>,
}

/// A link, or the uplinks together.
#[derive(Clone, Debug)]
pub(super) struct Link {
    /// Name of its stations; `.down` and `.up` follow where they are two.
    pub name: String,
    /// Members of its group.
    pub count: u32,
    /// One direction at a time: both share the server.
    pub shared: bool,
    /// Drives behind it; none for uplinks, which share all of them.
    pub behind: Option<Vec<u32>>,
    bus: Bus,
}

impl Link {
    /// Time of one message.
    #[inline]
    pub fn time(&self, ask: Ask, bytes: u64) -> SimDuration {
        self.bus.time(match ask {
            Ask::UplinkSubmission => SUBMISSION,
            Ask::UplinkWrite => bytes + SUBMISSION,
            Ask::UplinkRead => bytes + COMPLETION,
            _ => COMPLETION,
        })
    }
}

impl Fabric {
    /// Time of one message on the link of that place.
    #[inline]
    pub fn time(&self, ask: Ask, place: u32, bytes: u64) -> SimDuration {
        self.links.get(place as usize).map_or(SimDuration::ZERO, |link| link.time(ask, bytes))
    }

    /// The uplink of a drive.
    #[inline]
    pub fn uplink(&self, drive: u32) -> u32 {
        match self.deal {
            Deal::Round => drive % self.uplinks,
            Deal::Blocks => (u64::from(drive) * u64::from(self.uplinks) / u64::from(self.drives)) as u32,
        }
    }

    /// Steps of a tree that a message to or from a drive leaves out.
    #[inline]
    pub fn skip(&self, drive: u32, up: bool) -> u32 {
        self.skips.get(drive as usize).map_or(0, |skip| skip[usize::from(up)])
    }

    /// The links, in the order of the answer.
    pub fn links(&self) -> &[Link] {
        &self.links
    }
}

/// The fabric's groups and steps.
pub(super) enum FabricSteps {
    Direct,
    Uplinks { down: GroupId, up: GroupId, hop: GroupId, both_hops: u32 },
    Tree(Vec<Way>),
}

/// The way between the processor and a link that drives hang on.
pub(super) struct Way {
    /// Groups down and up and the place of each link, from the processor to the drives.
    links: Vec<(GroupId, GroupId, u32)>,
    /// The delay of all its hops, there and back.
    hop: GroupId,
    hops: u32,
}

impl FabricSteps {
    /// Adds the fabric to the network, in front of so many drives.
    pub fn add(network: &mut Network, fabric: Option<&Given>, drives: u32) -> (Self, Option<Fabric>) {
        let Some(fabric) = fabric else { return (FabricSteps::Direct, None) };
        match &fabric.shape {
            FabricShape::Direct => (FabricSteps::Direct, None),
            FabricShape::Uplinks { count, link, hop, deal } => {
                let (groups, link) = add_link(
                    network,
                    "fabric.uplinks",
                    ("uplink", *count),
                    (*link, fabric.max_payload),
                    None,
                );
                let both = hops(network, SimDuration::from_ps(hop.ps() * 2));
                let steps =
                    FabricSteps::Uplinks { down: groups.0, up: groups.1, hop: both.0, both_hops: both.1 };
                let links = vec![link];
                (steps, Some(Fabric { links, drives, uplinks: *count, deal: *deal, skips: Vec::new() }))
            }
            FabricShape::Tree(tree) => add_tree(network, tree, fabric.max_payload, drives),
        }
    }

    /// A message towards the drives.
    pub fn down(&self, network: &mut Network, ask: Ask) -> Vec<Step> {
        match self {
            FabricSteps::Direct => Vec::new(),
            FabricSteps::Uplinks { down, .. } => {
                vec![serve(network, *down, Pick::Ask(question::UPLINK), ask, 0)]
            }
            FabricSteps::Tree(ways) => {
                let steps = |way: &Way, network: &mut Network| {
                    let serve = |&(down, _, place): &(GroupId, GroupId, u32)| {
                        serve(network, down, Pick::Fixed(0), ask, place)
                    };
                    way.links.iter().map(serve).collect()
                };
                one_of(network, ways, question::WAY_DOWN, steps)
            }
        }
    }

    /// A message towards the processor, and the hops of the round trip.
    pub fn up(&self, network: &mut Network, ask: Ask) -> Vec<Step> {
        match self {
            FabricSteps::Direct => Vec::new(),
            FabricSteps::Uplinks { up, hop, both_hops, .. } => {
                vec![
                    Step::Delay { group: *hop, demand: *both_hops },
                    serve(network, *up, Pick::Ask(question::UPLINK), ask, 0),
                ]
            }
            FabricSteps::Tree(ways) => {
                let steps = |way: &Way, network: &mut Network| {
                    let serve = |&(_, up, place): &(GroupId, GroupId, u32)| {
                        serve(network, up, Pick::Fixed(0), ask, place)
                    };
                    let hops = Step::Delay { group: way.hop, demand: way.hops };
                    std::iter::once(hops).chain(way.links.iter().rev().map(serve)).collect()
                };
                one_of(network, ways, question::WAY_UP, steps)
            }
        }
    }
}

/// The steps of every way, one behind the other: each but the last ends with a skip of those that follow.
fn one_of(
    network: &mut Network,
    ways: &[Way],
    asked: u32,
    steps: impl Fn(&Way, &mut Network) -> Vec<Step>,
) -> Vec<Step> {
    let ways: Vec<Vec<Step>> = ways.iter().map(|way| steps(way, network)).collect();
    let mut all = Vec::new();
    for way in ways.into_iter().rev() {
        let follow = all.len() as u32;
        let skip = (follow > 0).then_some(Step::Skip(follow));
        all = way.into_iter().chain(skip).chain(all).collect();
    }
    all.insert(0, Step::Ask(asked));
    all
}

/// Steps before each way, if each takes so many and all but the last a skip.
fn starts(lengths: impl Iterator<Item = usize>) -> Vec<u32> {
    let next = |start: &mut u32, length: usize| {
        let here = *start;
        *start += length as u32 + 1;
        Some(here)
    };
    lengths.scan(0, next).collect()
}

fn add_tree(
    network: &mut Network,
    tree: &[TreeLink],
    max_payload: u32,
    drives: u32,
) -> (FabricSteps, Option<Fabric>) {
    let mut groups = Vec::new();
    let mut links = Vec::new();
    for (place, link) in tree.iter().enumerate() {
        let behind = (0..drives).filter(|drive| leads_to(tree, place, *drive)).collect();
        let name = format!("fabric.{}", link.name);
        let (both, link) = add_link(network, &name, ("link", 1), (link.link, max_payload), Some(behind));
        groups.push(both);
        links.push(link);
    }
    let mut ways = Vec::new();
    for (place, _) in tree.iter().enumerate().filter(|(_, link)| !link.drives.is_empty()) {
        let up: Vec<usize> = upwards(tree, place).collect();
        let span = up.iter().map(|at| tree[*at].hop.ps() * 2).sum();
        let (hop, hops) = match ways.first() {
            None => hops(network, SimDuration::from_ps(span)),
            Some(Way { hop, .. }) => (*hop, hop_demand(network, SimDuration::from_ps(span))),
        };
        let links = up.iter().rev().map(|at| (groups[*at].0, groups[*at].1, *at as u32)).collect();
        ways.push(Way { links, hop, hops });
    }
    let down = starts(ways.iter().map(|way| way.links.len()));
    let up = starts(ways.iter().map(|way| way.links.len() + 1));
    let mut skips = vec![[0; 2]; drives as usize];
    for (way, link) in tree.iter().filter(|link| !link.drives.is_empty()).enumerate() {
        for drive in link.drives.clone() {
            skips[drive as usize] = [down[way], up[way]];
        }
    }
    let fabric = Fabric { links, drives, uplinks: 1, deal: Deal::Round, skips };
    (FabricSteps::Tree(ways), Some(fabric))
}

/// A link and those above it, up to the processor.
fn upwards(tree: &[TreeLink], place: usize) -> impl Iterator<Item = usize> + '_ {
    std::iter::successors(Some(place), |at| tree[*at].parent)
}

/// Whether a drive hangs on a link or below it.
fn leads_to(tree: &[TreeLink], place: usize, drive: u32) -> bool {
    tree.iter()
        .position(|link| link.drives.contains(&drive))
        .is_some_and(|at| upwards(tree, at).any(|above| above == place))
}

/// Adds the groups of a link, or of several alike: down and up, or one for both.
fn add_link(
    network: &mut Network,
    name: &str,
    (member, count): (&str, u32),
    (link, max_payload): (Interface, u32),
    behind: Option<Vec<u32>>,
) -> ((GroupId, GroupId), Link) {
    let mut group = |name: &str| network.group(name, member, count, 1, Discipline::Committed);
    let shared = link == Interface::Sata;
    let groups = if shared {
        let both = group(name);
        (both, both)
    } else {
        (group(&format!("{name}.down")), group(&format!("{name}.up")))
    };
    (groups, Link { name: name.into(), count, shared, behind, bus: Bus::of(link, max_payload) })
}

/// The delay of the switches, and how long it is.
fn hops(network: &mut Network, span: SimDuration) -> (GroupId, u32) {
    (network.delay("fabric.hop"), hop_demand(network, span))
}

fn hop_demand(network: &mut Network, span: SimDuration) -> u32 {
    network.demand(Demand::Drawn(Law::fixed(span), Purpose::named("hop")))
}

fn serve(network: &mut Network, group: GroupId, pick: Pick, ask: Ask, place: u32) -> Step {
    let demand = network.demand(Demand::Asked(at_place(ask, place)));
    Step::Serve { group, pick, demand, level: 0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn link(name: &str, parent: Option<usize>, drives: std::ops::Range<u32>) -> TreeLink {
        let interface = Interface::Pcie { generation: 4, lanes: 8 };
        TreeLink { name: name.into(), link: interface, parent, hop: SimDuration::from_ns(500), drives }
    }

    /// A root with a drive of its own, a leaf below it and one two below.
    fn tree() -> Vec<TreeLink> {
        let links =
            [("root", None, 0..1), ("near", Some(0), 1..3), ("shelf", Some(0), 0..0), ("far", Some(2), 3..6)];
        links.into_iter().map(|(name, parent, drives)| link(name, parent, drives)).collect()
    }

    #[test]
    fn every_drive_passes_the_links_above_it_and_no_others() {
        let mut network = Network::new();
        let fabric = Given { shape: FabricShape::Tree(tree()), max_payload: 256, lanes: None };
        let (steps, fabric) = FabricSteps::add(&mut network, Some(&fabric), 6);
        let fabric = fabric.expect("a tree");
        let down = steps.down(&mut network, Ask::UplinkWrite);
        let up = steps.up(&mut network, Ask::UplinkCompletion);
        let expected: [&[&str]; 6] = [
            &["root"],
            &["root", "near"],
            &["root", "near"],
            &["root", "shelf", "far"],
            &["root", "shelf", "far"],
            &["root", "shelf", "far"],
        ];
        for (drive, way) in expected.iter().enumerate() {
            let walk = |steps: &[Step], up: bool| {
                let mut at = 1 + fabric.skip(drive as u32, up) as usize;
                let mut passed = Vec::new();
                while let Some(step) = steps.get(at) {
                    at += 1;
                    match step {
                        Step::Serve { group, .. } => {
                            passed.push(network.groups()[group.index()].name.clone())
                        }
                        Step::Skip(more) => at += *more as usize,
                        _ => {}
                    }
                }
                passed
            };
            let down_names: Vec<String> = way.iter().map(|l| format!("fabric.{l}.down")).collect();
            let up_names: Vec<String> = way.iter().rev().map(|l| format!("fabric.{l}.up")).collect();
            assert_eq!(walk(&down, false), down_names, "drive {drive}");
            assert_eq!(walk(&up, true), up_names, "drive {drive}");
        }
        let behind: Vec<usize> =
            fabric.links().iter().map(|l| l.behind.as_ref().map_or(0, Vec::len)).collect();
        assert_eq!(behind, [6, 2, 3, 3]);
    }

    #[test]
    fn drives_are_dealt_round_or_in_blocks() {
        let deal = |deal| {
            let fabric = Fabric { links: Vec::new(), drives: 7, uplinks: 3, deal, skips: Vec::new() };
            (0..7).map(|drive| fabric.uplink(drive)).collect::<Vec<_>>()
        };
        assert_eq!(deal(Deal::Round), [0, 1, 2, 0, 1, 2, 0]);
        assert_eq!(deal(Deal::Blocks), [0, 0, 0, 1, 1, 2, 2]);
    }
}
