//! `forebay explain`.

use clap::Args;

use crate::report::terminal;
use crate::scenario;

use super::Ending;
use super::output::{Output, put, refuse};

const HELP: &str = "\
Examples:
  forebay explain                        every key, one a line
  forebay explain design.ports.rate      one key
  forebay explain class                  a table and its keys
  forebay explain parts.NAME             the figures of a part of the catalogue";

#[derive(Args)]
#[command(after_help = HELP)]
pub(super) struct ExplainArgs {
    /// A key (design.ports.rate) or a table (design.ports); none lists all
    key: Option<String>,
}

pub(super) fn explain(args: &ExplainArgs, output: &Output) -> Ending {
    match scenario::explain(args.key.as_deref().unwrap_or("")) {
        Ok(text) => {
            let page = terminal::prose(text.trim_end(), &output.style());
            put("-", &page).err().unwrap_or(Ending::Well)
        }
        Err(message) => refuse(message),
    }
}
