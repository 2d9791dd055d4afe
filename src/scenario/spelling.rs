//! What a misspelt word was meant to be.

/// The candidate most like `word`, if any is like it at all.
///
/// Jaro–Winkler similarity of at least 0.8 (Winkler 1990), best first; equal ones by order. The bar
/// is a project choice: low enough for a missing or swapped letter, high enough to stay silent on
/// another word.
pub fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    // Names are short; the cut keeps a megabyte typed as a key from costing a second.
    let word: String = word.chars().take(64).flat_map(char::to_lowercase).collect();
    let mut best = None;
    let mut best_score = 0.8;
    for candidate in candidates {
        let score = strsim::jaro_winkler(&word, &candidate.to_lowercase());
        if score > best_score {
            (best, best_score) = (Some(candidate), score);
        }
    }
    best
}

/// Units as other places spell them, and as they are spelt here.
pub fn nearest_unit(unit: &str) -> Option<&'static str> {
    const MEANT: &[(&str, &str)] = &[
        ("usec", "us"),
        ("msec", "ms"),
        ("nsec", "ns"),
        ("sec", "s"),
        ("secs", "s"),
        ("second", "s"),
        ("seconds", "s"),
        ("minute", "min"),
        ("minutes", "min"),
        ("m", "min"),
        ("hour", "h"),
        ("hours", "h"),
        ("hr", "h"),
        ("d", "days"),
        ("yr", "years"),
        ("y", "years"),
        ("k", "KiB"),
        ("kb", "kB"),
        ("kib", "KiB"),
        ("g", "GB"),
        ("t", "TB"),
        ("bytes", "B"),
        ("byte", "B"),
        ("kbps", "kb/s"),
        ("mbps", "Mb/s"),
        ("gbps", "Gb/s"),
        ("gb", "Gb/s"),
        ("gbit", "Gb/s"),
        ("gbit/s", "Gb/s"),
        ("gbe", "Gb/s"),
        ("iops", "/s"),
        ("io/s", "/s"),
        ("hz", "/s"),
        ("per second", "/s"),
        ("%", "%/year"),
    ];
    // "MBps" is bytes, "Mbps" bits: the capital decides.
    match unit {
        "kBps" => return Some("kB/s"),
        "MBps" => return Some("MB/s"),
        "GBps" => return Some("GB/s"),
        _ => {}
    }
    let unit = unit.to_lowercase();
    MEANT.iter().find(|m| m.0 == unit).map(|m| m.1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn near_words_are_found_and_far_ones_are_not() {
        let keys = ["machines", "load", "read", "percentile", "read_sizes"];
        assert_eq!(nearest("machine", keys), Some("machines"));
        assert_eq!(nearest("mahcines", keys), Some("machines"));
        assert_eq!(nearest("percent", keys), Some("percentile"));
        assert_eq!(nearest("Read", keys), Some("read"));
        assert_eq!(nearest("zebra", keys), None);
        assert_eq!(nearest("", keys), None);
    }
}
