//! Parity of `theory` with figures from outside the project.
//!
//! Tolerances are the handbook's for a direct calculation: 1e-6 relative, 1e-5 where the reference
//! itself comes from a numerical inversion, 1e-9 for plain arithmetic (the rows hold 10 digits).

mod rows;
mod textbook;

use forebay::theory::networks::{Centre, Closed, mva, mva_classes};
use forebay::theory::{forkjoin, links, networks, queues};

use rows::*;

pub(super) fn near(id: &str, found: f64, expected: f64, relative: f64) {
    let allowed = relative * expected.abs() + 1e-12;
    assert!((found - expected).abs() <= allowed, "{id}: found {found}, expected {expected}");
}

const CALC: f64 = 1e-6;
const INVERTED: f64 = 1e-5;
const ARITHMETIC: f64 = 1e-9;

#[test]
fn mm1_matches_the_rows() {
    for &(id, rho, [w, wq, t50, t95, t99, t999, w50, w95, w99, w999]) in MM1 {
        near(id, queues::mm1_mean_sojourn(rho, 1.0), w, CALC);
        near(id, queues::mm1_mean_wait(rho, 1.0), wq, CALC);
        for (p, sojourn, wait) in [(0.5, t50, w50), (0.95, t95, w95), (0.99, t99, w99), (0.999, t999, w999)] {
            near(id, queues::mm1_sojourn_quantile(rho, 1.0, p), sojourn, CALC);
            near(id, queues::mm1_wait_quantile(rho, 1.0, p), wait, CALC);
        }
    }
    near("Q-MM1-PIN", queues::mm1_mean_wait(2.0, 1.0 / 3.0), 0.6666666667, CALC);
}

#[test]
fn erlang_formulas_match_the_rows() {
    let blocked = [
        ("Q-ERLB-PIN", 1, 5.0, 0.8333333333),
        ("Q-ERLB-PIN", 10, 20.0, 0.5379631686),
        ("Q-ERLB-PIN", 190, 200.0, 0.08869684387),
        ("Q-ERLB-PIN", 200, 180.0, 0.0103249952),
        ("Q-ERLB-TAB", 4, 2.0, 0.09523809524),
        ("Q-ERLB-TAB", 8, 6.0, 0.1218757837),
        ("Q-ERLB-TAB", 16, 12.0, 0.06041259246),
        ("Q-ERLB-TAB", 32, 24.0, 0.02209487035),
        ("Q-ERLB-TAB", 32, 30.0, 0.09626630964),
        ("Q-ERLB-TAB", 64, 56.0, 0.03312568628),
    ];
    for (id, servers, offered, expected) in blocked {
        near(id, queues::erlang_b(servers, offered), expected, CALC);
    }
    near("Q-ERLC-PIN", queues::erlang_c(25, 20.0), 0.2091028266, CALC);
    near("Q-ERLC-PIN", queues::erlang_c(10, 6.0), 0.1012992427, CALC);
}

#[test]
fn mmc_matches_the_rows() {
    for &(id, c, rho, [pw, wq, w50, w95, w99, w999, t50, t95, t99, t999]) in MMC {
        let lambda = rho * c as f64;
        near(id, queues::erlang_c(c, lambda), pw, CALC);
        near(id, queues::mmc_mean_wait(c, lambda, 1.0), wq, CALC);
        near(id, queues::mmc_mean_sojourn(c, lambda, 1.0), wq + 1.0, CALC);
        for (p, sojourn, wait) in [(0.5, t50, w50), (0.95, t95, w95), (0.99, t99, w99), (0.999, t999, w999)] {
            near(id, queues::mmc_wait_quantile(c, lambda, 1.0, p), wait, CALC);
            near(id, queues::mmc_sojourn_quantile(c, lambda, 1.0, p), sojourn, CALC);
        }
    }
}

#[test]
fn md1_matches_the_rows_up_to_a_load_of_0_95() {
    for &(id, rho, [pw, wq, w50, w95, w99, w999]) in MD1 {
        near(id, queues::md1_wait_tail(rho, 1.0, 0.0), pw, CALC);
        near(id, queues::md1_mean_wait(rho, 1.0), wq, CALC);
        for (p, wait) in [(0.5, w50), (0.95, w95), (0.99, w99), (0.999, w999)] {
            near(id, queues::md1_wait_quantile(rho, 1.0, p), wait, CALC);
            near(id, queues::md1_sojourn_quantile(rho, 1.0, p), wait + 1.0, CALC);
        }
    }
}

#[test]
fn mg1_matches_the_rows() {
    for &(id, scv, loads) in LOGNORMAL {
        // Moments of a lognormal with mean 1: E[S^k] = (1 + scv)^(k(k-1)/2).
        let spread: f64 = 1.0 + scv;
        for (rho, wq, deviation) in loads {
            near(id, queues::mg1_mean_wait(rho, 1.0, scv), wq, CALC);
            near(id, queues::mg1_wait_deviation(rho, 1.0, spread, spread.powi(3)), deviation, CALC);
        }
    }
    for &(id, scv, loads) in MH2 {
        let (share, first, second) = queues::balanced_branches(scv);
        for (rho, wq, w95, w99, w999) in loads {
            near(id, queues::mg1_mean_wait(rho, 1.0, scv), wq, CALC);
            for (p, wait) in [(0.95, w95), (0.99, w99), (0.999, w999)] {
                near(id, queues::mh2_wait_quantile(rho, share, first, second, p), wait, CALC);
            }
        }
    }
    let (share, first, second) = queues::balanced_branches(4.0);
    near("Q-MH21-cv2-4 p", share, 0.8872983346, CALC);
    near("Q-MH21-cv2-4 mu1", 1.0 / first, 1.774596669, CALC);
    near("Q-MH21-cv2-4 mu2", 1.0 / second, 0.2254033308, CALC);
}

#[test]
fn bimodal_service_matches_the_rows() {
    for &(id, share, fast, slow, loads) in BIMODAL {
        let service = (1.0 - share) * fast + share * slow;
        let second = (1.0 - share) * fast * fast + share * slow * slow;
        for (rho, wq, w95, w99, w999) in loads {
            let lambda = rho / service;
            near(
                id,
                queues::mg1_mean_wait(lambda, service, second / (service * service) - 1.0),
                wq,
                INVERTED,
            );
            for (p, wait) in [(0.95, w95), (0.99, w99), (0.999, w999)] {
                near(id, queues::bimodal_wait_quantile(lambda, share, fast, slow, p), wait, INVERTED);
            }
        }
    }
}

#[test]
fn batches_match_the_rows() {
    near("Q-BATCH-ROSS", queues::batch_mean_sojourn(4.0, 2.0, 4.5, 1.0 / 20.0), 0.1354166667, CALC);
    for (id, size, sojourn) in
        [("Q-BATCH-FIX-4", 4.0, 12.5), ("Q-BATCH-FIX-8", 8.0, 22.5), ("Q-BATCH-FIX-32", 32.0, 82.5)]
    {
        near(id, queues::batch_mean_sojourn(0.8 / size, size, size * size, 1.0), sojourn, CALC);
    }
}

#[test]
fn a_geometric_batch_has_the_mean_of_its_exponential_sojourn() {
    // Two routes to one figure: the bulk formula, and the median of an exponential over ln 2.
    let second = queues::geometric_second_moment(4.0);
    let mean = queues::batch_mean_sojourn(0.125, 4.0, second, 1.0);
    let median = queues::geometric_batch_sojourn_quantile(0.125, 4.0, 1.0, 0.5);
    near("mean", median / std::f64::consts::LN_2, mean, ARITHMETIC);
}

#[test]
fn open_networks_match_the_rows() {
    let path = [(1, 0.004, 1.0), (16, 0.060, 1.0), (1, 0.004, 1.0), (24, 0.090, 1.0)];
    near("Q-PATH", queues::jackson_mean_sojourn(200.0, &path), 0.1949816555, CALC);
    near("Q-PATH cpu", queues::mmc_mean_sojourn(16, 200.0, 0.060), 0.06306860788, CALC);
    near("Q-PATH drives", queues::mmc_mean_sojourn(24, 200.0, 0.090), 0.09191304764, CALC);
    let bolch = [(1, 0.04, 5.0), (1, 0.03, 2.5), (1, 0.06, 2.5), (1, 0.05, 1.0)];
    near("Q-JACKSON-BOLCH74", queues::jackson_mean_sojourn(4.0, &bolch), 1.544642857, CALC);
    let jain = [(1, 0.01, 16.0), (1, 0.02, 7.0), (1, 0.03, 8.0)];
    near("Q-OPEN-JAIN341", queues::jackson_mean_sojourn(3.0, &jain), 1.406214475, CALC);
    let lazowska = [(1, 0.005, 121.0), (1, 0.03, 70.0), (1, 0.027, 50.0)];
    near("Q-OPEN-LAZ113", queues::jackson_mean_sojourn(0.3, &lazowska), 8.683740233, CALC);
    let tandem = [(0.8, 1.0), (0.8, 0.625)];
    for (p, expected) in [(0.5, 4.834957738), (0.95, 16.41700581), (0.99, 24.46426076), (0.999, 35.97718676)]
    {
        near("Q-TANDEM-T", queues::tandem_sojourn_quantile(&tandem, p), expected, CALC);
    }
}

#[test]
fn closed_networks_match_the_rows() {
    let jain = [2.0, 3.0, 1.0].map(Centre::single);
    for &(n, [r, x, cpu, a, b]) in JAIN342 {
        let found = mva(&jain, 4.0, n);
        near("Q-MVA-JAIN342 R", found.response, r, CALC);
        near("Q-MVA-JAIN342 X", found.throughput, x, CALC);
        for (k, queue) in [cpu, a, b].into_iter().enumerate() {
            near("Q-MVA-JAIN342 Q", found.queue[k], queue, CALC);
        }
    }
    let lazowska = mva(&[0.605, 2.1, 1.35].map(Centre::single), 15.0, 3);
    near("Q-AMVA-LAZ117 X_exact", lazowska.throughput, 0.1515164923, CALC);
    near("Q-AMVA-LAZ117 R_exact", lazowska.response, 4.799824782, CALC);

    let bolch = mva(&[0.02, 0.08, 0.08, 0.06].map(Centre::single), 0.0, 6);
    near("Q-MVA-BOLCH83 X", bolch.throughput, 9.919836337, CALC);
    for (k, queue) in [0.2436152589, 2.261037791, 2.261037791, 1.234309158].into_iter().enumerate() {
        near("Q-MVA-BOLCH83 Q", bolch.queue[k], queue, CALC);
    }
}

#[test]
fn closed_networks_with_several_servers_match_the_rows() {
    let centres = [Centre { demand: 0.5, servers: 2 }, Centre::single(0.3), Centre::single(0.4)];
    let bolch = mva(&centres, 1.0, 3);
    near("Q-MVA-BOLCH84 X", bolch.throughput, 1.217460634, CALC);
    for (k, queue) in [0.6236794897, 0.4728722344, 0.685987642].into_iter().enumerate() {
        near("Q-MVA-BOLCH84 Q", bolch.queue[k], queue, CALC);
    }
    for &(n, x, r) in REPAIRMAN {
        let found = mva(&[Centre { demand: 0.08, servers: 16 }], 0.1, n);
        near("Q-REPAIRMAN X", found.throughput, x, CALC);
        near("Q-REPAIRMAN R", found.response, r, CALC);
    }
}

fn both_classes(demands: [Vec<f64>; 2], thinks: [f64; 2], populations: [usize; 2]) -> [Closed; 2] {
    let found = mva_classes(&demands, &thinks, &populations).expect("a small network");
    found.try_into().expect("two classes")
}

#[test]
fn two_closed_classes_match_the_rows() {
    let [a, b] = both_classes([vec![1.0, 3.0], vec![2.0, 4.0]], [0.0, 0.0], [1, 1]);
    near("Q-MVA2-LAZ142", a.throughput, 0.1578947368, CALC);
    near("Q-MVA2-LAZ142", b.throughput, 0.1052631579, CALC);
    near("Q-MVA2-LAZ142", a.residence[1], 5.0, CALC);
    near("Q-MVA2-LAZ142", b.residence[0], 2.5, CALC);

    let [a, b] = both_classes([vec![0.025], vec![0.5]], [1.0, 15.0], [15, 5]);
    near("Q-MVA2-SCHW5", a.throughput, 14.32311512, CALC);
    near("Q-MVA2-SCHW5", b.throughput, 0.3137994303, CALC);
    near("Q-MVA2-SCHW5", a.response, 0.04725821719, CALC);
    near("Q-MVA2-SCHW5", b.response, 0.933744668, CALC);

    let demands = [vec![0.01, 0.0405, 0.05, 0.0], vec![0.05, 0.0, 0.05, 0.0392]];
    let [a, b] = both_classes(demands, [0.0, 0.0], [3, 2]);
    near("Q-MVA2-SCHW7", a.throughput, 12.15171797, CALC);
    near("Q-MVA2-SCHW7", b.throughput, 6.866979724, CALC);
    near("Q-MVA2-SCHW7", a.queue[2], 2.0328571, CALC);
    near("Q-MVA2-SCHW7", b.residence[3], 0.04585879326, CALC);
}

#[test]
fn bounds_match_the_rows_and_hold_the_exact_throughput() {
    let demands = [2.0, 3.0, 1.0];
    let rows = [
        (1, 0.1, 0.1, 0.1, 0.1),
        (5, 0.1470588235, 0.3333333333, 0.2428571429, 0.3333333333),
        (20, 0.1612903226, 0.3333333333, 0.3069306931, 0.3333333333),
    ];
    for (n, low, high, balanced_low, balanced_high) in rows {
        let wide = networks::asymptotic_bounds(&demands, 4.0, n);
        let narrow = networks::balanced_bounds(&demands, 4.0, n);
        near("Q-BOUNDS-JAIN ABA_Xlo", wide.0, low, CALC);
        near("Q-BOUNDS-JAIN ABA_Xup", wide.1, high, CALC);
        near("Q-BOUNDS-JAIN BJB_Xlo", narrow.0, balanced_low, CALC);
        near("Q-BOUNDS-JAIN BJB_Xup", narrow.1, balanced_high, CALC);
        let exact = mva(&demands.map(Centre::single), 4.0, n).throughput;
        for (low, high) in [wide, narrow] {
            assert!(low <= exact + 1e-12 && exact <= high + 1e-12, "{n}: {low} {exact} {high}");
        }
    }
    near("Q-BOUNDS-JAIN Nstar", networks::saturation_population(&demands, 4.0), 3.333333333, CALC);
    near("Q-INTERACTIVE", networks::interactive_response(256.0, 400.0, 0.0), 0.64, ARITHMETIC);
    near("Q-INTERACTIVE", networks::interactive_response(128.0, 200.0, 0.2), 0.44, ARITHMETIC);
    near("Q-INTERACTIVE", networks::interactive_response(64.0, 1.0 / 80.0, 0.0), 5120.0, ARITHMETIC);
}

#[test]
fn fork_and_join_match_the_rows() {
    for &(rho, mean) in TWO_WAYS {
        near("Q-FJ2", forkjoin::two_way_mean(rho, 1.0), mean, CALC);
    }
    for &(ways, rho, mean) in MANY_WAYS {
        near("Q-FJK-NT", forkjoin::many_way_mean(ways, rho, 1.0), mean, CALC);
    }
    for &(count, mean, p99) in LARGEST {
        near("Q-MAXK", forkjoin::maximum_mean(count), mean, CALC);
        near("Q-MAXK", forkjoin::maximum_quantile(count, 0.99), p99, CALC);
    }
}

#[test]
fn pcie_matches_the_rows() {
    for &(generation, lanes, mb) in PCIE_RAW {
        let found = links::pcie_bytes_per_s(generation, lanes).expect("a known generation");
        near("L-PCIE-RAW", found / 1e6, mb, CALC);
    }
    for &(generation, lanes, max_payload, header, mb) in PCIE_PACKETS {
        let found = links::pcie_payload_bytes_per_s(generation, lanes, max_payload, header);
        near("L-PCIE-TLP", found.expect("a known generation") / 1e6, mb, CALC);
    }
    let x8 = links::pcie_bytes_per_s(3, 8).expect("a known generation");
    near("L-IOPS gen3_x8_coded", x8 / 4096.0, 1923076.923, CALC);
    let packets = links::pcie_wire_bytes(4096, 256, links::PCIE_LONG_HEADER) as f64;
    near("L-IOPS gen3_x8_mps256", x8 / packets, 1758241.758, CALC);
    let x4 = links::pcie_bytes_per_s(3, 4).expect("a known generation");
    near("L-XFER us_4KiB_gen3x4", 4096.0 / x4 * 1e6, 1.04, CALC);
    near("L-SHARE share8_MBps", x8 / 8.0 / 1e6, 984.6153846, CALC);
}

#[test]
fn sas_sata_and_fibre_channel_match_the_rows() {
    for (gigabits, width, mb) in [(12, 1, 1200.0), (24, 1, 2400.0), (12, 4, 4800.0), (24, 4, 9600.0)] {
        near("L-SAS", links::sas_bytes_per_s(gigabits, width).expect("a known rate") / 1e6, mb, CALC);
    }
    near("L-SAS sata3", links::sata_bytes_per_s() / 1e6, 600.0, CALC);
    for &(gigabits, coded, payload) in FIBRE_CHANNEL {
        let found = links::fibre_channel_bytes_per_s(gigabits).expect("a known rate");
        near("L-FC coded", found / 1e6, coded, CALC);
        near("L-FC payload", found / 1e6 * links::fibre_channel_efficiency(), payload, CALC);
    }
}

#[test]
fn ethernet_matches_the_rows() {
    for &(mtu, headers, overhead, share) in ETHERNET {
        near("L-ETH eff", links::ethernet_efficiency(mtu, headers, overhead), share, CALC);
    }
    for &(gigabits, mtu, mb) in ETHERNET_RATES {
        let found = gigabits * 1e9 / 8.0 * links::ethernet_efficiency(mtu, 40.0, 38.0);
        near("L-ETH MBps", found / 1e6, mb, CALC);
    }
    for (gigabits, frames) in
        [(1.0, 1488095.238), (10.0, 14880952.38), (25.0, 37202380.95), (100.0, 148809523.8)]
    {
        near("L-ETH-PPS", links::smallest_frames_per_s(gigabits * 1e9), frames, CALC);
    }
    // Whole messages come to the same shares: a thousand full segments with timestamps.
    for (mtu, share) in [(1500, 0.9414824447), (9000, 0.9900420447)] {
        let payload = 1000 * links::tcp_segment(mtu);
        let found = payload as f64 / links::tcp_wire_bytes(payload, mtu) as f64;
        near("L-ETH eff_ipv4_ts", found, share, CALC);
    }
}
