//! Links shared by drives: what many drives carry behind few lanes, and where a tree binds.
//!
//! Large sequential reads in closed loops, deep enough that something is always full. All figures are of the
//! payload that packets of 256 bytes leave (checks L-SHARE, L-PCIE-TLP, L-SAS; `theory::links`).

use forebay::outcome::RunOutcome;
use forebay::study;
use forebay::theory::links;

use crate::runs::{answer, scenario};

/// Streams of reads of 128 KiB, `depth` outstanding together, for 40 ms.
fn text(fabric: &str, drives: &str, depth: u32) -> String {
    format!(
        "[run]\nseed = 5\nreplications = 2\nwarm_up = \"20 ms\"\nlength = \"40 ms\"\n{fabric}\n{drives}\n[[class]]\n\
         name = \"streams\"\nmachines = 8\nload = {{ in_flight = {} }}\nread = 1\nsizes = \"128 KiB\"\n\
         sequential = 1\nstreams = 1\nrun_length = \"64 MiB\"\nworking_set = \"16 GiB\"\n",
        depth / 8
    )
}

/// 24 drives on gen 3 x4 that read 3,200 MB/s each.
const DRIVES: &str = "[design.drives]\ncount = 24\npart = \"nvme-gen3-mixed-use-1600\"";

fn uplinks(count: u32) -> String {
    format!("[design.fabric]\nshape = \"uplinks\"\nuplinks = {count}\nlink = \"pcie-gen3-x8\"")
}

/// A tree of links: name, interface, parent, first and last drive.
fn tree(links: &[(&str, &str, &str, &str)]) -> String {
    let mut text = "[design.fabric]\nshape = \"tree\"\n".to_owned();
    for (name, link, parent, drives) in links {
        text += &format!("[design.fabric.links.{name}]\nlink = \"{link}\"\n");
        if !parent.is_empty() {
            text += &format!("parent = \"{parent}\"\n");
        }
        if !drives.is_empty() {
            text += &format!("drives = {drives}\n");
        }
    }
    text
}

fn read_rate(outcome: &RunOutcome) -> f64 {
    outcome.carried.read_bytes_per_s.value.expect("a rate")
}

fn payload(generation: u32, lanes: u32) -> f64 {
    links::pcie_payload_bytes_per_s(generation, lanes, 256, links::PCIE_LONG_HEADER).expect("a link")
}

/// Saturated links carry their payload but for headers of 16 bytes in 128 KiB; closed loops of fixed services
/// vary by less than 0.5 % over these windows.
fn assert_carries(what: &str, outcome: &RunOutcome, expected: f64, binding: &str) {
    let found = read_rate(outcome);
    println!("{what}: {:.0} MB/s, expected {:.0}", found / 1e6, expected / 1e6);
    assert!((found / expected - 1.0).abs() < 0.02, "{what}: {found}, expected {expected}");
    assert_eq!(outcome.verdict.binding.as_deref(), Some(binding), "{what}");
    let still = outcome.verdict.static_ceiling_iops.expect("a ceiling") * f64::from(128 << 10);
    assert!((still / expected - 1.0).abs() < 0.02, "{what}: static {still}, expected {expected}");
}

/// Claim:   24 drives behind one x8 pipe carry what one x8 pipe carries, behind three three times that, and
///          linked directly what the drives themselves read.
/// Alarm:   never, see `assert_carries`. Catches: 2 %.
#[test]
fn drives_behind_uplinks_carry_what_the_pipes_carry() {
    for count in [1, 3] {
        let outcome = answer(&text(&uplinks(count), DRIVES, 768));
        let expected = f64::from(count) * payload(3, 8);
        assert_carries(&format!("{count} uplinks"), &outcome, expected, "fabric.uplinks.up");
    }
    let outcome = answer(&text("", DRIVES, 1536));
    assert_carries("direct", &outcome, 24.0 * 3200e6, "drives.link");
}

/// Claim:   a tree is pipes in series: a wide root over two narrow leaves carries what the leaves carry, a
///          narrow root over two wide leaves what the root carries, each leaf half of it.
/// Alarm:   never. Catches: 2 %.
#[test]
fn a_tree_carries_what_its_narrowest_level_carries() {
    let leaves = |root: &str, leaf: &str| {
        tree(&[
            ("root", root, "", ""),
            ("left", leaf, "root", "[0, 11]"),
            ("right", leaf, "root", "[12, 23]"),
        ])
    };
    let outcome = answer(&text(&leaves("pcie-gen4-x16", "pcie-gen3-x8"), DRIVES, 768));
    let binding = outcome.verdict.binding.clone().unwrap_or_default();
    assert!(["fabric.left.up", "fabric.right.up"].contains(&binding.as_str()), "{binding}");
    assert_carries("narrow leaves", &outcome, 2.0 * payload(3, 8), &binding);
    let outcome = answer(&text(&leaves("pcie-gen3-x8", "pcie-gen4-x8"), DRIVES, 768));
    assert_carries("a narrow root", &outcome, payload(3, 8), "fabric.root.up");
    let half = outcome.stations.iter().find(|s| s.name == "fabric.left.up").expect("a leaf");
    assert!((half.utilisation - payload(3, 8) / payload(4, 8) / 2.0).abs() < 0.02, "{}", half.utilisation);
}

/// Uneven leaves fill unevenly: of 24 drives that share the work alike, 18 behind one leaf fill it at 24/18 of
/// what it carries.
#[test]
fn the_leaf_with_more_drives_is_full_first() {
    let fabric = tree(&[
        ("root", "pcie-gen4-x16", "", ""),
        ("most", "pcie-gen3-x8", "root", "[0, 17]"),
        ("few", "pcie-gen3-x8", "root", "[18, 23]"),
    ]);
    // What is outstanding turns over ten times in the warm-up and a hundred times in the window.
    let text = text(&fabric, DRIVES, 384).replace("20 ms", "60 ms").replace("40 ms", "500 ms");
    let outcome = answer(&text);
    assert_carries("an uneven tree", &outcome, payload(3, 8) * 24.0 / 18.0, "fabric.most.up");
}

/// Claim:   a SATA link carries 600 MB/s, both ways together, a gen 3 x4 link 3,938 MB/s less packet headers: 6.5
///          times as much before headers (L-SHARE: 6.667 of the nominal 600 and 4,000).
/// Alarm:   never. Catches: 2 %.
#[test]
fn a_sata_link_carries_a_sixth_of_a_gen_3_x4_link() {
    let drives = "[design.drives]\ncount = 2\nservice = \"1 us\"\nsplit = true";
    let one = |link: &str| tree(&[("only", link, "", "[0, 1]")]);
    let sata = answer(&text(&one("sata-6"), drives, 64));
    assert_carries("sata", &sata, links::sata_bytes_per_s(), "fabric.only");
    let pcie = answer(&text(&one("pcie-gen3-x4"), drives, 64));
    assert_carries("gen 3 x4", &pcie, payload(3, 4), "fabric.only.up");
    let raw = links::pcie_bytes_per_s(3, 4).expect("a link");
    assert!((raw / links::sata_bytes_per_s() - 6.564).abs() < 0.01, "{raw}");
}

/// Blocks put consecutive drives on one uplink: of four drives on two uplinks, requests to the first two all pass
/// the first.
#[test]
fn consecutive_drives_hang_on_one_uplink_if_so_dealt() {
    let share = |deal: &str| {
        let fabric = format!("{}\ndeal = \"{deal}\"", uplinks(2));
        let drives = "[design.drives]\ncount = 3\nservice = \"1 us\"\nsplit = true";
        let outcome =
            answer(&text(&fabric, drives, 16).replace("sequential = 1\n", "").replace("streams = 1", ""));
        let up = outcome.stations.iter().find(|s| s.name == "fabric.uplinks.up").expect("uplinks");
        let busiest = up.busiest.as_ref().expect("two members");
        (busiest.name.clone(), busiest.arrivals_per_s / up.arrivals_per_s)
    };
    // Drives 0 and 2 against 0 and 1: two thirds of the fragments either way, on uplink 0.
    for deal in ["round", "blocks"] {
        let (name, share) = share(deal);
        assert_eq!(name, "uplink 0", "{deal}");
        assert!((share - 2.0 / 3.0).abs() < 0.02, "{deal}: {share}");
    }
}

/// Ports and links take lanes from one budget.
#[test]
fn lanes_within_the_budget_pass() {
    let fabric =
        tree(&[("left", "pcie-gen3-x16", "", "[0, 11]"), ("right", "pcie-gen3-x16", "", "[12, 23]")])
            .replace("\"tree\"", "\"tree\"\nlanes = 64")
            + "[design.ports]\ncount = 2\nrate = \"100 Gb/s\"\nlanes = 16\n";
    let outcome = study::check(&scenario(&text(&fabric, DRIVES, 64))).unwrap_or_else(|e| panic!("{e}"));
    let names: Vec<&str> = outcome.ceilings.iter().map(|c| c.station.as_str()).collect();
    for link in ["fabric.left.down", "fabric.left.up", "fabric.right.down", "fabric.right.up"] {
        assert!(names.contains(&link), "{names:?}");
    }
}
