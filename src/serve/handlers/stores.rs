//! Addresses of stores: how far a sweep is, and what is best so far.

use std::path::PathBuf;

use axum::extract::Path;

use crate::outcome::{SweepListing, SweepTable};
use crate::report::html::Findings;
use crate::serve::Server;
use crate::serve::folder::{Kind, progress};
use crate::serve::pages::{self, StorePage};
use crate::store::Store;
use crate::study::{self, Query};

use super::{Answered, Refusal, Shared, aside, json, shown, unreadable, whole};

impl Server {
    fn store(&self, name: &str) -> Result<PathBuf, Refusal> {
        self.folder.find(Kind::Store, name).ok_or_else(|| Refusal::missing("store"))
    }
}

fn opened(path: &std::path::Path) -> Result<Store, Refusal> {
    Store::read(path).map_err(|error| unreadable(error.to_string()))
}

fn table(store: &Store) -> Result<SweepTable, Refusal> {
    store.table().map_err(|error| unreadable(error.to_string()))
}

/// The best as the sweep in the store seeks it; every point where it seeks nothing.
fn best(table: &SweepTable) -> Result<SweepListing, String> {
    let (front, alike) = study::sought_so_far(table);
    study::list(table, &Query { front, alike, ..Query::default() })
}

pub(super) async fn store(state: Shared, Path(name): Path<String>) -> Answered {
    let server = state.0;
    aside(move || {
        let path = server.store(&name)?;
        // Before the table: what comes in between is then drawn by the next look.
        let progress = progress(&path).map_err(unreadable)?;
        let store = opened(&path)?;
        let rounds = store.rounds().map_err(|error| unreadable(error.to_string()))?;
        let table = table(&store)?;
        let (title, front) = (&table.inputs.title, best(&table));
        shown(pages::store(&StorePage { name: &name, title, progress, rounds: &rounds, front: &front }))
    })
    .await
}

pub(super) async fn part(state: Shared, Path((name, part)): Path<(String, String)>) -> Answered {
    let server = state.0;
    aside(move || {
        let path = server.store(&name)?;
        match part.as_str() {
            "state" => {
                let progress = progress(&path).map_err(unreadable)?;
                let words = progress.in_words();
                let state = serde_json::json!({
                    "asked": progress.asked, "failed": progress.failed, "variants": progress.variants, "words": words,
                });
                json(state.to_string())
            }
            "front" => shown(pages::front(&best(&table(&opened(&path)?)?)).into_string()),
            "all" => {
                let found = study::sweep_findings(&table(&opened(&path)?)?).map_err(unreadable)?;
                whole(&Findings { sweep: Some(found), ..Findings::default() })
            }
            _ => Err(Refusal::missing("page")),
        }
    })
    .await
}
