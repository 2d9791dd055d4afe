//! `forebay explain`.

use clap::Args;

use crate::scenario;

use super::Ending;
use super::output::{put, refuse};

#[derive(Args)]
pub(super) struct ExplainArgs {
    /// A key (design.ports.rate) or a table (design.ports); none lists all
    key: Option<String>,
}

pub(super) fn explain(args: &ExplainArgs) -> Ending {
    match scenario::explain(args.key.as_deref().unwrap_or("")) {
        Ok(text) => put("-", &format!("{}\n", text.trim_end())).err().unwrap_or(Ending::Well),
        Err(message) => refuse(message),
    }
}
