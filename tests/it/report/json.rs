//! JSON and the schemas that document it.

use forebay::outcome::{CompareOutcome, RunOutcome, VerifyOutcome};
use forebay::report::json::to_json;
use serde_json::Value;

use super::fixtures;

const RUN_SCHEMA: &str = include_str!("../../../schema/run.schema.json");
const COMPARE_SCHEMA: &str = include_str!("../../../schema/compare.schema.json");
const VERIFY_SCHEMA: &str = include_str!("../../../schema/verify.schema.json");

fn json(text: &str) -> Value {
    serde_json::from_str(text).expect("well-formed JSON")
}

fn complaints(schema: &str, instance: &Value) -> Vec<String> {
    let validator = jsonschema::draft202012::new(&json(schema)).expect("a valid schema");
    validator.iter_errors(instance).map(|error| format!("{}: {error}", error.instance_path())).collect()
}

#[test]
fn json_of_every_fixture_follows_its_schema() {
    for (name, outcome) in fixtures::all() {
        assert_eq!(complaints(RUN_SCHEMA, &json(&to_json(&outcome))), [""; 0], "{name}");
    }
    let mut detailed = fixtures::stable();
    for station in &mut detailed.stations {
        station.detail = station.busiest.iter().cloned().collect();
    }
    assert_eq!(complaints(RUN_SCHEMA, &json(&to_json(&detailed))), [""; 0]);
    assert_eq!(complaints(VERIFY_SCHEMA, &json(&to_json(&fixtures::verified(true)))), [""; 0]);
    assert_eq!(complaints(COMPARE_SCHEMA, &json(&to_json(&fixtures::compared()))), [""; 0]);
}

#[test]
fn the_schemas_are_themselves_valid() {
    for schema in [RUN_SCHEMA, COMPARE_SCHEMA, VERIFY_SCHEMA] {
        assert!(jsonschema::draft202012::meta::is_valid(&json(schema)));
    }
}

#[test]
fn broken_json_is_refused_for_the_right_reason() {
    let breaks: [(&str, Value); 7] = [
        ("/run/warm_up_s", Value::Null),
        ("/verdict/state", Value::from("fine")),
        ("/classes/0/latency_us/p99", serde_json::json!({ "value": null, "low": null, "high": null })),
        ("/classes/0/name", Value::from(3)),
        ("/stations/0/servers", Value::from(1.5)),
        ("/objectives/0/met", Value::from("yes")),
        ("/schema", Value::from(2)),
    ];
    for (place, value) in breaks {
        let mut broken = json(&to_json(&fixtures::stable()));
        *broken.pointer_mut(place).expect("a field of the outcome") = value;
        let found = complaints(RUN_SCHEMA, &broken);
        assert_eq!(found.len(), 1, "{place}: {found:?}");
        assert!(found[0].starts_with(place), "{place}: {found:?}");
    }
    for (place, key) in [("", "unheard_of"), ("/verdict", "mood"), ("/classes/0/latency_us", "p42")] {
        let mut broken = json(&to_json(&fixtures::stable()));
        broken.pointer_mut(place).expect("an object")[key] = Value::from(1);
        assert_eq!(complaints(RUN_SCHEMA, &broken).len(), 1, "{place}/{key}");
    }
    let mut broken = json(&to_json(&fixtures::verified(false)));
    broken["checks"][0].as_object_mut().expect("a check").remove("source");
    assert_eq!(complaints(VERIFY_SCHEMA, &broken).len(), 1);
}

/// Every object of a schema with its path.
fn objects<'a>(schema: &'a Value, path: String, found: &mut Vec<(String, &'a Value)>) {
    match schema {
        Value::Object(fields) => {
            found.push((path.clone(), schema));
            fields.iter().for_each(|(key, value)| objects(value, format!("{path}/{key}"), found));
        }
        Value::Array(items) => {
            items.iter().enumerate().for_each(|(at, item)| objects(item, format!("{path}/{at}"), found));
        }
        _ => (),
    }
}

#[test]
fn the_schemas_describe_every_field_and_allow_no_other() {
    for schema in [RUN_SCHEMA, COMPARE_SCHEMA, VERIFY_SCHEMA].map(json) {
        let mut found = Vec::new();
        objects(&schema, String::new(), &mut found);
        for (path, object) in found.iter().filter(|(_, object)| object["type"] == "object") {
            if object.get("properties").is_none() {
                // A map by names that the scenario chooses: what they lead to is described.
                let described = object["additionalProperties"]["description"].as_str().unwrap_or_default();
                assert!(described.ends_with('.'), "{path} says nothing of its values");
                continue;
            }
            assert_eq!(object["additionalProperties"], false, "{path}");
            for (name, field) in object["properties"].as_object().expect("properties") {
                let description = field["description"].as_str().unwrap_or_default();
                assert!(description.ends_with('.'), "{path}/{name} says nothing: {description}");
                for (suffix, unit) in [
                    ("_us", "microseconds"),
                    ("_s", "second"),
                    ("iops", "equests"),
                    ("_bytes_per_s", "Bytes"),
                ] {
                    // A condition ("precision_s…") would have to be listed here; there is none.
                    let names_unit = description.contains(unit);
                    assert!(
                        !name.ends_with(suffix) || names_unit,
                        "{path}/{name} lacks its unit: {description}"
                    );
                }
            }
        }
    }
}

/// The answer of `run` is documented once in each schema; they must say the same.
#[test]
fn a_design_under_comparison_is_documented_as_a_run() {
    let [run, compare] = [RUN_SCHEMA, COMPARE_SCHEMA].map(json);
    for (name, field) in run["properties"].as_object().expect("properties") {
        assert_eq!(&compare["$defs"]["design"]["properties"][name], field, "{name}");
    }
    for (name, definition) in run["$defs"].as_object().expect("definitions") {
        assert_eq!(&compare["$defs"][name], definition, "{name}");
    }
}

#[test]
fn json_comes_back_as_the_same_outcome_and_the_same_bytes() {
    for (name, outcome) in fixtures::all() {
        let text = to_json(&outcome);
        assert!(text.ends_with("}\n"), "{name}");
        let back: RunOutcome = serde_json::from_str(&text).expect("reads back");
        assert_eq!(back, outcome, "{name}");
        assert_eq!(to_json(&back), text, "{name}");
    }
    let verified = fixtures::verified(true);
    let back: VerifyOutcome = serde_json::from_str(&to_json(&verified)).expect("reads back");
    assert_eq!(back, verified);
    let compared = fixtures::compared();
    let back: CompareOutcome = serde_json::from_str(&to_json(&compared)).expect("reads back");
    assert_eq!(back, compared);
}

#[test]
fn json_opens_as_the_documented_layout_does() {
    let text = to_json(&fixtures::stable());
    let start = "{\n  \"schema\": 1,\n  \"tool\": \"forebay 0.1.0\",\n  \"scenario_digest\": \"3f9a";
    assert!(text.starts_with(start), "{}", &text[..120]);
}
