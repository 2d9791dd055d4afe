//! Drive and uplink interfaces: their names and what payload they carry.

use std::fmt;
use std::str::FromStr;

use super::model::Interface;
use crate::theory::links;

impl Interface {
    /// Bytes a second in one direction after the line code, packet headers included.
    ///
    /// The schema lets no generation, rate or width in that the standards do not have.
    pub fn coded_bytes_per_s(self) -> f64 {
        match self {
            Interface::Pcie { generation, lanes } => links::pcie_bytes_per_s(generation.into(), lanes.into()),
            Interface::Sas { gigabits, width } => links::sas_bytes_per_s(gigabits.into(), width.into()),
            Interface::Sata => Some(links::sata_bytes_per_s()),
        }
        .unwrap_or(f64::INFINITY)
    }

    /// Payload bytes a second in one direction, with PCIe packets of `max_payload` bytes. SAS and
    /// SATA frame overhead is not taken off.
    pub fn payload_bytes_per_s(self, max_payload: u32) -> f64 {
        match self {
            Interface::Pcie { .. } => {
                let packets = links::pcie_efficiency(max_payload.into(), links::PCIE_LONG_HEADER);
                self.coded_bytes_per_s() * packets
            }
            _ => self.coded_bytes_per_s(),
        }
    }

    /// PCIe lanes; zero for the others, which hang on a controller.
    pub const fn pcie_lanes(self) -> u32 {
        match self {
            Interface::Pcie { lanes, .. } => lanes as u32,
            _ => 0,
        }
    }

    /// Every interface there is, in the order of the standards.
    pub fn all() -> Vec<Interface> {
        let mut all = Vec::new();
        for generation in 1..=6 {
            all.extend([1, 2, 4, 8, 16].map(|lanes| Interface::Pcie { generation, lanes }));
        }
        for gigabits in [12, 24] {
            all.extend([1, 2, 4, 8].map(|width| Interface::Sas { gigabits, width }));
        }
        all.push(Interface::Sata);
        all
    }
}

impl fmt::Display for Interface {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Interface::Pcie { generation, lanes } => write!(f, "pcie-gen{generation}-x{lanes}"),
            Interface::Sas { gigabits, width: 1 } => write!(f, "sas-{gigabits}"),
            Interface::Sas { gigabits, width } => write!(f, "sas-{gigabits}-x{width}"),
            Interface::Sata => f.write_str("sata-6"),
        }
    }
}

impl FromStr for Interface {
    type Err = ();

    /// The interface of that name; `sas-12-x1` is another name of `sas-12`.
    fn from_str(name: &str) -> Result<Self, ()> {
        let name = if name.starts_with("sas") { name.strip_suffix("-x1").unwrap_or(name) } else { name };
        Interface::all().into_iter().find(|i| i.to_string() == name).ok_or(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, expected_mb: f64, tolerance: f64) {
        assert!((found / (expected_mb * 1e6) - 1.0).abs() < tolerance, "{found} against {expected_mb} MB/s");
    }

    /// Check L-PCIE-RAW: printed and computed rates a direction, MB/s.
    #[test]
    fn pcie_line_codes_match_the_standard() {
        let per_lane = [250.0, 500.0, 984.6154, 1969.231, 3938.462];
        for (generation, rate) in (1u8..).zip(per_lane) {
            for lanes in [1u8, 2, 4, 8, 16] {
                let found = Interface::Pcie { generation, lanes }.coded_bytes_per_s();
                near(found, rate * f64::from(lanes), 1e-6);
            }
        }
    }

    /// Check L-PCIE-FLIT: bytes left for packets, MB/s.
    #[test]
    fn pcie_flits_match_the_standard() {
        for (lanes, rate) in [(1, 7375.0), (4, 29500.0), (8, 59000.0), (16, 118000.0)] {
            near(Interface::Pcie { generation: 6, lanes }.coded_bytes_per_s(), rate, 1e-9);
        }
    }

    /// Check L-PCIE-TLP, rows with a header of four double words, MB/s.
    #[test]
    fn pcie_packets_match_the_standard() {
        let rows = [
            (3, 4, 128, 3316.599),
            (3, 8, 128, 6633.198),
            (3, 16, 128, 13266.4),
            (5, 4, 128, 13266.4),
            (3, 4, 256, 3600.879),
            (4, 8, 256, 14403.52),
            (3, 16, 512, 15048.45),
        ];
        for (generation, lanes, max_payload, rate) in rows {
            near(Interface::Pcie { generation, lanes }.payload_bytes_per_s(max_payload), rate, 1e-6);
        }
    }

    /// Check L-SAS, MB/s.
    #[test]
    fn sas_and_sata_lanes_match_the_standards() {
        let rows = [
            ("sata-6", 600.0),
            ("sas-12", 1200.0),
            ("sas-24", 2400.0),
            ("sas-12-x4", 4800.0),
            ("sas-24-x4", 9600.0),
        ];
        for (name, rate) in rows {
            let interface: Interface = name.parse().expect(name);
            near(interface.payload_bytes_per_s(256), rate, 1e-6);
        }
    }

    #[test]
    fn names_print_and_parse_back() {
        for interface in Interface::all() {
            assert_eq!(interface.to_string().parse(), Ok(interface));
        }
        assert_eq!("sas-12-x1".parse(), Ok(Interface::Sas { gigabits: 12, width: 1 }));
        assert!("pcie-gen7-x4".parse::<Interface>().is_err());
        assert!("pcie-gen3-x3".parse::<Interface>().is_err());
    }
}
