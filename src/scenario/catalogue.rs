//! Generic parts that come with the tool, named by their properties.
//!
//! They are files of the `workloads/parts` folder, written exactly as a part is in a scenario.

use super::tree::{Table, Value, read_document};

macro_rules! part {
    ($name:literal) => {
        ($name, include_str!(concat!("../../workloads/parts/", $name, ".toml")))
    };
}

/// Name and text of every part.
const PARTS: &[(&str, &str)] = &[
    part!("nvme-gen4-read-centric-3840"),
    part!("nvme-gen3-mixed-use-1600"),
    part!("sas-12-mixed-use-1600"),
    part!("nvme-gen4-read-centric-7680"),
    part!("nvme-gen5-read-centric-7680"),
    part!("nvme-gen5-mixed-use-6400"),
    part!("sas-24-read-centric-3840"),
    part!("sata-read-centric-1920"),
    part!("sata-boot-480"),
    part!("sas-12-rotating-7200-8000"),
];

/// The names of the catalogue.
pub fn names() -> Vec<&'static str> {
    PARTS.iter().map(|p| p.0).collect()
}

/// The file of a part.
pub fn text(name: &str) -> Option<&'static str> {
    PARTS.iter().find(|p| p.0 == name).map(|p| p.1)
}

/// The table of a part.
pub fn part(name: &str) -> Option<Table> {
    let (document, _) = read_document(text(name)?);
    match &document.get("parts")?.node.value {
        Value::Table(parts) => match &parts.get(name)?.node.value {
            Value::Table(table) => Some(table.clone()),
            _ => None,
        },
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::parse;

    /// A scenario with the part's own text in it, and one that names it: both hold the same part.
    #[test]
    fn every_part_of_the_catalogue_is_read_without_a_mistake() {
        for (name, text) in PARTS {
            let rest = format!(
                "[design.drives]\ncount = 1\npart = {name:?}\n[[class]]\nname = \"a\"\nmachines = 1\n\
                 load = {{ in_flight = 1 }}\nread = 1\nsizes = \"4 KiB\"\n"
            );
            let base = std::path::Path::new("");
            let named = parse(&rest, "named.toml", base, &[]).unwrap_or_else(|d| panic!("{d}"));
            let spelt =
                parse(&format!("{text}\n{rest}"), "spelt.toml", base, &[]).unwrap_or_else(|d| panic!("{d}"));
            assert_eq!(named.design, spelt.design);
        }
    }

    #[test]
    fn every_part_says_that_its_figures_are_invented() {
        for (name, text) in PARTS {
            assert!(text.contains("Figures invented within trade practice"), "{name}");
        }
    }
}
