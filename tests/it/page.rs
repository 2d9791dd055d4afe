//! The page: it answers, fetches nothing, escapes what the user wrote, and its charts say what the JSON says.

use crate::program::{Folder, said};

const SCENARIO: &str = "title = \"TITLE\"\n[run]\nseed = 1\nlength = \"200 ms\"\nwarm_up = \"20 ms\"\nreplications = 4\n\
                        [design.cpu]\ncores = 2\nservice = { mean = \"10 us\", shape = \"exponential\" }\n[[class]]\n\
                        name = \"NAME\"\nmachines = 1\nload = { rate = \"100000/s\" }\nread = 1\nsizes = \"4 KiB\"\n\
                        [[objective]]\nclass = \"NAME\"\npercentile = 99\nbelow = \"200 us\"\n";

fn scenario(title: &str, name: &str) -> (Folder, String) {
    let folder = Folder::new();
    let text = SCENARIO.replace("TITLE", title).replace("NAME", name);
    let path = folder.file("s.toml", &text);
    (folder, path)
}

/// A page of a scenario's run and knee, and the JSON of both.
fn page_of(path: &str) -> (String, [serde_json::Value; 2]) {
    let results = ["run", "knee"].map(|question| {
        let json = path.replace("s.toml", &format!("{question}.json"));
        let (status, _, err) = said(&[question, path, "--json", &json, "--quiet"]);
        assert!(matches!(status, Some(0 | 1)), "{err}");
        json
    });
    let (status, page, err) = said(&["report", &results[0], &results[1], "--out", "-"]);
    assert_eq!(status, Some(0), "{err}");
    let read =
        |path: &String| serde_json::from_str(&std::fs::read_to_string(path).expect("written")).expect("JSON");
    (page, [read(&results[0]), read(&results[1])])
}

/// Everything is in the file; nothing is asked of a network; one script and one style, by their hashes.
#[test]
fn a_page_is_whole_and_fetches_nothing() {
    let (_folder, path) = scenario("Depot", "a");
    let (page, _) = page_of(&path);
    assert!(page.contains("default-src 'none'") && page.contains("script-src 'sha256-"), "no policy");
    assert_eq!((page.matches("<script").count(), page.matches("<style").count()), (1, 1));
    for fetches in ["http:", "https:", "src=", "@import", "url("] {
        let found = page
            .match_indices(fetches)
            .find(|(at, _)| !page[*at..].starts_with("http://www.w3.org/2000/svg"));
        assert_eq!(found, None, "{fetches}");
    }
    for section in ["answer", "path", "curve", "tail", "assumptions", "cautions", "again"] {
        assert!(page.contains(&format!("<section id=\"{section}\"")), "{section}");
    }
    // What was not asked is not there.
    assert!(!page.contains("<section id=\"wear\"") && !page.contains("<section id=\"time\""));
    assert!(page.len() < 1_000_000, "{}", page.len());
}

/// A title that is a script, a name of 10,000 letters: text like any other.
#[test]
fn what_the_user_wrote_is_text() {
    let (_folder, path) = scenario("<script>alert(1)</script><img src=x onerror=alert(1)>", "a");
    let (page, _) = page_of(&path);
    assert!(page.contains("&lt;script&gt;alert(1)"));
    assert!(!page.contains("<script>alert") && !page.contains("<img"));
    // A scenario takes no name of 10,000 letters; a file of results may hold one.
    let (_folder, path) = scenario("Depot", "depot-a");
    page_of(&path);
    let results = ["run", "knee"].map(|question| {
        let json = path.replace("s.toml", &format!("{question}.json"));
        let text = std::fs::read_to_string(&json).expect("a result");
        let long = "depot<b>".repeat(1_250);
        std::fs::write(&json, text.replace("depot-a", &long).replace("Depot", &long)).expect("written");
        json
    });
    let (status, page, err) = said(&["report", &results[0], &results[1], "--out", "-"]);
    assert_eq!(status, Some(0), "{err}");
    assert!(page.len() < 1_000_000, "{}", page.len());
    assert!(!page.contains("<b>"));
    let (_folder, path) = scenario("T", "a\\u003c/text\\u003e\\u003cscript\\u003e");
    let (page, _) = page_of(&path);
    assert_eq!(page.matches("<script").count(), 1);
}

/// Every key at its default is in the table, once for both results; bars have the median's tail, and need not.
#[test]
fn defaults_are_folded_and_the_median_has_a_bar() {
    let (_folder, path) = scenario("Depot", "a");
    let (page, [run, knee]) = page_of(&path);
    let rows = run["defaults"].as_array().expect("rows");
    assert_eq!(knee["defaults"].as_array(), Some(rows));
    assert!(page.contains(&format!("<details><summary>{} keys, what holds for each", rows.len())));
    for row in rows {
        let key = row["key"].as_str().expect("a key");
        assert_eq!(page.matches(&format!("<th scope=\"row\" class=\"\">{key}</th>")).count(), 1, "{key}");
    }
    assert!(page.contains("beyond the median") && page.contains("beyond p99"));
    // A result of an earlier version has neither.
    let json = path.replace("s.toml", "run.json");
    let mut older = run.clone();
    older.as_object_mut().expect("an object").remove("defaults");
    older["blame"].as_array_mut().expect("rows").retain(|row| row["above"] != "p50");
    std::fs::write(&json, older.to_string()).expect("written");
    let (status, page, err) = said(&["report", &json, "--out", "-"]);
    assert_eq!(status, Some(0), "{err}");
    assert!(!page.contains("beyond the median") && page.contains("beyond p99"));
    assert!(!page.contains("left at their default"));
}

/// What a point of the curve says is the figure of the JSON, rounded as it is everywhere.
#[test]
fn points_say_what_the_json_says() {
    let (_folder, path) = scenario("Depot", "a");
    let (page, [_, knee]) = page_of(&path);
    let stable = knee["curve"].as_array().expect("a curve").iter().filter(|point| point["state"] == "stable");
    let mut met = 0;
    for point in stable {
        let Some(p99) = point["latency_us"]["p99"]["value"].as_f64() else { continue };
        let words = format!("data-words=\"p99: {} ", forebay::report::numbers::format_duration_us(p99));
        assert!(page.contains(&words), "{words}");
        met += 1;
    }
    assert!(met >= 4, "{met}");
}

/// From a scenario: what was answered once is taken from the folder, and the page is the same to the byte; a change is asked
/// anew.
#[test]
fn answers_are_kept_until_the_scenario_changes() {
    let (_folder, path) = scenario("Depot", "a");
    let answers = path.replace("s.toml", "answers");
    let out = path.replace("s.toml", "page.html");
    let report = |more: &[&str]| {
        let all: Vec<&str> = ["report", &path, "--out", &out, "--answers", &answers, "--skip", "fit,wear"]
            .into_iter()
            .chain(more.iter().copied())
            .collect();
        let (status, _, err) = said(&all);
        assert_eq!(status, Some(0), "{err}");
        std::fs::read_to_string(&out).expect("the page")
    };
    let count = || std::fs::read_dir(&answers).expect("the folder").count();
    let first = report(&[]);
    assert_eq!(count(), 2);
    assert_eq!(report(&[]), first);
    assert_eq!(count(), 2);
    assert_ne!(report(&["--set", "design.cpu.cores=3"]), first);
    assert_eq!(count(), 4);
}

/// Mistakes are told.
#[test]
fn what_is_no_result_is_refused() {
    let (folder, path) = scenario("Depot", "a");
    let (_, _) = page_of(&path);
    let (run, knee) = (path.replace("s.toml", "run.json"), path.replace("s.toml", "knee.json"));
    let broken = folder.file("broken.json", "{");
    let other = folder.file("other.json", "{\"schema\": 1}");
    let text = std::fs::read_to_string(&knee).expect("a result");
    let unlike =
        folder.file("unlike.json", &text.replace("\"scenario_digest\": \"", "\"scenario_digest\": \"0"));
    for (arguments, words) in [
        (vec!["report", &broken], "no JSON"),
        (vec!["report", &other], "no result of run, knee, fit, wear"),
        (vec!["report", &run, &unlike], "unlike scenarios"),
        (vec!["report", &run, &run], "a second result of the same question"),
        (vec!["report", &run, &path], "and not both"),
        (vec!["report", &run, "--set", "run.seed=2"], "these are results"),
        (vec!["report", &path, "--skip", "ware"], "expected knee, fit, wear"),
        (vec!["report", "gone.json"], "gone.json"),
    ] {
        let (status, _, err) = said(&arguments);
        assert_eq!(status, Some(2), "{arguments:?}: {err}");
        assert!(err.contains(words), "{words}: {err}");
    }
}

/// Designs compared: the differences of the JSON, spelt, and no section of a scenario that was not asked.
#[test]
fn a_comparison_is_a_page() {
    let (_folder, path) = scenario("Depot", "a");
    let json = path.replace("s.toml", "compare.json");
    let (status, _, err) =
        said(&["compare", &path, "--set", "design.cpu.cores=3", "--json", &json, "--quiet"]);
    assert!(matches!(status, Some(0 | 1)), "{err}");
    let (status, page, err) = said(&["report", &json, "--out", "-"]);
    assert_eq!(status, Some(0), "{err}");
    assert!(page.contains("<section id=\"compare\"") && !page.contains("<section id=\"path\""));
    let found: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(&json).expect("written")).expect("JSON");
    let rows = found["differences"].as_array().expect("differences");
    assert!(rows.len() > 4);
    for row in rows.iter().filter(|row| row["us"]["value"].is_number()) {
        let us = row["us"]["value"].as_f64().expect("a number");
        let words = forebay::report::numbers::format_duration_us(us);
        assert!(page.contains(&words), "{words}");
    }
    // Each design's own assumptions and hash are told.
    for design in found["designs"].as_array().expect("designs") {
        assert!(page.contains(design["scenario_digest"].as_str().expect("a text")));
    }
}

/// A sweep of 2,000 points stays light, keeps all that may be on the front, and says what it leaves out beyond 2,500.
#[test]
fn a_sweep_is_a_page_of_bounded_size() {
    let folder = Folder::new();
    for (points, held) in [(2_000_usize, 2_000_usize), (9_000, 2_500)] {
        let row = |number: usize| {
            let value = |factor: usize| 100.0 + (number * factor % 9_973) as f64;
            let standing = match number % 45 {
                0 => "front",
                1 => "perhaps",
                _ => "beaten",
            };
            serde_json::json!({
                "number": number, "error": null, "round": null, "standing": standing,
                "sets": [["design.cpu.cores", (number % 7).to_string()], ["title", "</script><b>".to_owned()]],
                "figures": [
                    {"name": "design.price_total", "value": value(7_919), "low": null, "high": null},
                    {"name": "run.all.all.p99_us", "value": value(6_007), "low": value(6_007) * 0.9, "high": value(6_007) * 1.1},
                ],
            })
        };
        let listing = serde_json::json!({
            "schema": 1, "tool": "forebay", "title": "Many", "variants": points, "finished": points, "failed": 0,
            "kept": points, "known": [], "front": ["least design.price_total", "least run.all.all.p99_us"],
            "rows": (0..points).map(row).collect::<Vec<_>>(),
        });
        let json = folder.file("many.json", &listing.to_string());
        let (status, page, err) = said(&["report", &json, "--out", "-"]);
        assert_eq!(status, Some(0), "{err}");
        assert!(page.len() < 1_000_000, "{}", page.len());
        // The data block ends where it should, whatever the user wrote.
        let data =
            page.split("id=\"sweep-data\">").nth(1).expect("data").split("</script>").next().expect("an end");
        let data: serde_json::Value = serde_json::from_str(data).expect("JSON");
        let all = data["points"].as_array().expect("points");
        assert!(all.len() <= held && all.len() * 10 > held * 9, "{}", all.len());
        let on_front = |standing: &str| all.iter().filter(|point| point[1] == standing).count();
        let wanted = (0..points).filter(|number| number % 45 == 0).count();
        assert_eq!(on_front("front"), wanted);
        assert_eq!(page.contains("are in the store and not on this page"), points > held);
        assert!(!page.contains("</script><b>"));
    }
}
