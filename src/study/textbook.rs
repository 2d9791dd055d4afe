//! The textbook scenarios, compiled in, so that an installed tool can verify itself.

/// One textbook scenario: name, scenario, expected figures.
pub struct Textbook {
    /// File name without its ending.
    pub name: &'static str,
    /// The scenario's text.
    pub scenario: &'static str,
    /// The expected figures' text.
    pub expected: &'static str,
}

macro_rules! textbooks {
    ($($name:literal),* $(,)?) => {
        &[$(Textbook {
            name: $name,
            scenario: include_str!(concat!("../../workloads/textbook/", $name, ".toml")),
            expected: include_str!(concat!("../../workloads/textbook/", $name, ".expected.toml")),
        }),*]
    };
}

/// All of them, in the order in which `verify` runs them.
pub static TEXTBOOKS: &[Textbook] = textbooks![
    "batch-4-0.5",
    "closed-jain-20",
    "closed-jain-5",
    "closed-lazowska-3",
    "closed-repairman-32",
    "closed-repairman-64",
    "closed-wide-192",
    "ethernet-tcp-1500",
    "ethernet-tcp-9000",
    "ethernet-tcp-both-ways",
    "ethernet-tcp-write",
    "fibre-channel-16",
    "forkjoin-2-0.5",
    "forkjoin-2-0.8",
    "interactive-saturated",
    "interactive-unloaded",
    "md1-0.7",
    "md1-0.9",
    "mg1-bimodal-0.5",
    "mg1-erlang-4",
    "mg1-hyperexponential-cv2",
    "mg1-lognormal-cv0.5",
    "mg1-lognormal-cv2",
    "mm1-0.5",
    "mm1-0.8",
    "mm1-0.9",
    "mmc-16-0.7",
    "mmc-16-0.9",
    "mmc-2-0.7",
    "mmc-2-0.9",
    "mmc-32-0.7",
    "mmc-32-0.9",
    "mmc-8-0.7",
    "mmc-8-0.9",
    "rdma-4200",
    "tandem-path",
    "tandem-single",
    "uplink-pcie-gen2-x4",
    "uplink-pcie-gen3-x8",
    "uplink-sas-12-x4",
    "uplink-sata-6",
];

#[cfg(test)]
mod tests {
    use super::TEXTBOOKS;

    #[test]
    fn every_textbook_file_is_compiled_in() {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/workloads/textbook");
        let mut files: Vec<String> = std::fs::read_dir(folder)
            .expect("the folder is part of the repository")
            .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
            .filter_map(|name| Some(name.strip_suffix(".toml")?.to_string()))
            .filter(|name| !name.ends_with(".expected"))
            .collect();
        files.sort();
        let mut listed: Vec<&str> = TEXTBOOKS.iter().map(|t| t.name).collect();
        listed.sort_unstable();
        assert_eq!(files, listed);
    }
}
