//! Links: what a payload weighs on the wire, and what a link carries after its line code.
//!
//! Whole bytes in and out for messages, bytes per second for rates. A message of no bytes still
//! takes one packet. Headers of the storage protocol itself (a command, a status) are payload here:
//! the caller adds them.

/// Ethernet bytes of a frame that are not its packet: preamble and start 8, header 14, check 4, gap
/// 12. IEEE 802.3 clauses 3 and 4.
pub const ETHERNET_OVERHEAD: u64 = 38;
/// Smallest packet in an Ethernet frame: shorter ones are padded. IEEE 802.3 clause 4.
pub const ETHERNET_SMALLEST_PACKET: u64 = 46;
/// IPv4 20, TCP 20, timestamps 12. RFC 791, RFC 9293, RFC 7323.
pub const TCP_HEADERS: u64 = 52;
/// IPv4 20, UDP 8, base transport header 12, invariant check 4. RFC 791, RFC 768; InfiniBand
/// Architecture Specification, annex A17 (routable Ethernet), from memory.
pub const RDMA_HEADERS: u64 = 44;
/// Payload of a full Fibre Channel frame. INCITS T11 FC-FS.
pub const FIBRE_CHANNEL_PAYLOAD: u64 = 2112;
/// Start 4, header 24, check 4, end 4, and six idle words between frames. INCITS T11 FC-FS.
pub const FIBRE_CHANNEL_OVERHEAD: u64 = 60;
/// Overhead of a PCIe packet with a 3-dword header: framing and sequence 4, header 12, check 4.
pub const PCIE_SHORT_HEADER: u64 = 20;
/// The same with a 4-dword header: addresses above 4 GiB, which is where buffers lie.
pub const PCIE_LONG_HEADER: u64 = 24;

/// Bytes on the wire of `packets` full or partial packets that carry `payload` under `headers`.
fn ethernet_bytes(payload: u64, per_packet: u64, headers: u64) -> u64 {
    let packets = payload.div_ceil(per_packet).max(1);
    let last = payload - (packets - 1) * per_packet + headers;
    let padding = ETHERNET_SMALLEST_PACKET.saturating_sub(last);
    payload.saturating_add(packets.saturating_mul(headers + ETHERNET_OVERHEAD)).saturating_add(padding)
}

/// Payload of a full TCP segment at this MTU (at least 1, even where the MTU leaves no room).
pub fn tcp_segment(mtu: u64) -> u64 {
    mtu.saturating_sub(TCP_HEADERS).max(1)
}

/// Ethernet bytes of a message over TCP: IPv4, timestamps, no VLAN tag.
pub fn tcp_wire_bytes(payload: u64, mtu: u64) -> u64 {
    ethernet_bytes(payload, tcp_segment(mtu), TCP_HEADERS)
}

/// Ethernet bytes that flow back to acknowledge it while it is sent: one bare segment for every two
/// (RFC 9293, section 3.8.6.3). A last odd one is acknowledged by the next message that goes back anyway.
pub fn tcp_acknowledgement_bytes(payload: u64, mtu: u64) -> u64 {
    (payload.div_ceil(tcp_segment(mtu)) / 2).saturating_mul(TCP_HEADERS + ETHERNET_OVERHEAD)
}

/// Share of a saturated Ethernet link that is TCP payload: full frames of `mtu`, `headers` in the
/// packet and `overhead` outside it (38, or 42 with a VLAN tag). IEEE 802.3; RFC 791, 9293, 7323.
pub fn ethernet_efficiency(mtu: f64, headers: f64, overhead: f64) -> f64 {
    (mtu - headers) / (mtu + overhead)
}

/// Smallest frames a second at a line rate in bits per second: 84 bytes each. IEEE 802.3; RFC 2544.
pub fn smallest_frames_per_s(bits_per_s: f64) -> f64 {
    bits_per_s / (8 * (ETHERNET_SMALLEST_PACKET + ETHERNET_OVERHEAD)) as f64
}

/// Payload of a full RDMA packet: the largest of 256, 512, 1024, 2048 and 4096 that fits the MTU with
/// its headers; 256 where none does. InfiniBand Architecture Specification (path MTU), from memory.
pub fn rdma_packet(mtu: u64) -> u64 {
    [4096, 2048, 1024, 512].into_iter().find(|p| p + RDMA_HEADERS <= mtu).unwrap_or(256)
}

/// Ethernet bytes of a message over RDMA. The 16-byte extended header of its first packet and the
/// padding to four bytes are left out.
pub fn rdma_wire_bytes(payload: u64, mtu: u64) -> u64 {
    ethernet_bytes(payload, rdma_packet(mtu), RDMA_HEADERS)
}

/// Fibre Channel bytes of a message, frames and idle words.
pub fn fibre_channel_wire_bytes(payload: u64) -> u64 {
    payload
        .saturating_add(payload.div_ceil(FIBRE_CHANNEL_PAYLOAD).max(1).saturating_mul(FIBRE_CHANNEL_OVERHEAD))
}

/// Bytes per second of a Fibre Channel link after its line code, by its name in gigabits (8, 16, 32,
/// 64). Line rates from INCITS T11 FC-PI; the codes of 32 and 64 from memory, and at 64 the error
/// correction rides inside the line rate, so that figure is an upper bound.
pub fn fibre_channel_bytes_per_s(gigabits: u32) -> Option<f64> {
    let (line, code) = match gigabits {
        8 => (8.5e9, 8.0 / 10.0),
        16 => (14.025e9, 64.0 / 66.0),
        32 => (28.05e9, 64.0 / 66.0),
        64 => (57.8e9, 256.0 / 257.0),
        _ => return None,
    };
    Some(line * code / 8.0)
}

/// Share of a saturated Fibre Channel link that is payload: full frames.
pub fn fibre_channel_efficiency() -> f64 {
    FIBRE_CHANNEL_PAYLOAD as f64 / (FIBRE_CHANNEL_PAYLOAD + FIBRE_CHANNEL_OVERHEAD) as f64
}

/// Bytes per second each way of a PCIe link that packets may fill: after 8b/10b (generations 1 and 2),
/// 128b/130b (3 to 5), or as 236 of the 256 bytes of a flit (6). PCI-SIG, PCI Express Base
/// Specification 1.0 to 6.0.
pub fn pcie_bytes_per_s(generation: u32, lanes: u32) -> Option<f64> {
    let (transfers, code) = match generation {
        1 => (2.5e9, 8.0 / 10.0),
        2 => (5e9, 8.0 / 10.0),
        3 => (8e9, 128.0 / 130.0),
        4 => (16e9, 128.0 / 130.0),
        5 => (32e9, 128.0 / 130.0),
        6 => (64e9, 236.0 / 256.0),
        _ => return None,
    };
    Some(transfers * code / 8.0 * f64::from(lanes))
}

/// PCIe bytes of a transfer in packets of at most `max_payload` bytes, `header` bytes of overhead
/// each ([`PCIE_SHORT_HEADER`] or [`PCIE_LONG_HEADER`]). A `max_payload` of 0 counts as 1.
pub fn pcie_wire_bytes(payload: u64, max_payload: u64, header: u64) -> u64 {
    payload.saturating_add(payload.div_ceil(max_payload.max(1)).max(1).saturating_mul(header))
}

/// Share of PCIe bytes that is payload in full packets. Link-layer acknowledgements are left out.
pub fn pcie_efficiency(max_payload: u64, header: u64) -> f64 {
    max_payload as f64 / (max_payload + header) as f64
}

/// Bytes per second of payload each way at most: `pcie_bytes_per_s` by `pcie_efficiency`.
pub fn pcie_payload_bytes_per_s(generation: u32, lanes: u32, max_payload: u64, header: u64) -> Option<f64> {
    Some(pcie_bytes_per_s(generation, lanes)? * pcie_efficiency(max_payload, header))
}

/// Bytes per second each way of a SAS port of `width` lanes at 12 Gb/s (8b/10b) or 24 Gb/s (22.5 Gb/s
/// of line rate, 128 of 150 bits). INCITS T10 SAS-3, SAS-4. Frame headers are left out.
pub fn sas_bytes_per_s(gigabits: u32, width: u32) -> Option<f64> {
    let lane = match gigabits {
        12 => 12e9 * 8.0 / 10.0 / 8.0,
        24 => 22.5e9 * 128.0 / 150.0 / 8.0,
        _ => return None,
    };
    Some(lane * f64::from(width))
}

/// Bytes per second of a SATA link at 6 Gb/s (8b/10b), both ways together: it is half duplex. Serial
/// ATA revision 3. Frame headers are left out.
pub fn sata_bytes_per_s() -> f64 {
    6e9 * 8.0 / 10.0 / 8.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_full_segment_weighs_its_mtu_and_the_frame() {
        assert_eq!(tcp_wire_bytes(1448, 1500), 1538);
        assert_eq!(tcp_wire_bytes(1449, 1500), 1538 + 1 + 90);
        assert_eq!(tcp_wire_bytes(0, 1500), 90);
        assert_eq!(tcp_acknowledgement_bytes(3 * 1448, 1500), 90);
        assert_eq!(tcp_acknowledgement_bytes(72, 1500), 0);
    }

    #[test]
    fn short_packets_are_padded_to_the_smallest_frame() {
        assert_eq!(rdma_wire_bytes(0, 1500), 84);
        assert_eq!(rdma_wire_bytes(2, 1500), 84);
        assert_eq!(rdma_wire_bytes(3, 1500), 85);
        assert_eq!(rdma_wire_bytes(1024, 1500), 1024 + 82);
        assert_eq!(rdma_wire_bytes(1025, 1500), 1024 + 82 + 84);
    }

    #[test]
    fn rdma_packets_are_powers_of_two() {
        for (mtu, packet) in [(0, 256), (1500, 1024), (4139, 2048), (4140, 4096), (9000, 4096)] {
            assert_eq!(rdma_packet(mtu), packet, "mtu {mtu}");
        }
    }

    #[test]
    fn frames_and_packets_are_counted_whole() {
        assert_eq!(fibre_channel_wire_bytes(2112), 2172);
        assert_eq!(fibre_channel_wire_bytes(2113), 2113 + 120);
        assert_eq!(pcie_wire_bytes(4096, 256, PCIE_LONG_HEADER), 16 * 280);
        assert_eq!(pcie_wire_bytes(4097, 256, PCIE_LONG_HEADER), 16 * 280 + 25);
        assert_eq!(pcie_wire_bytes(16, 256, PCIE_LONG_HEADER), 40);
    }

    #[test]
    fn no_size_overflows_and_no_mtu_divides_by_zero() {
        for mtu in [0, 1, 52, 9000] {
            assert!(tcp_wire_bytes(u64::MAX, mtu) >= u64::MAX - 1);
            assert!(rdma_wire_bytes(u64::MAX, mtu) >= u64::MAX - 1);
        }
        assert_eq!(pcie_wire_bytes(u64::MAX, 0, 24), u64::MAX);
        assert_eq!(pcie_bytes_per_s(7, 4), None);
        assert_eq!(fibre_channel_bytes_per_s(10), None);
        assert_eq!(sas_bytes_per_s(6, 1), None);
    }
}
