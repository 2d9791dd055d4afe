//! `forebay new`.

use std::fs::OpenOptions;
use std::io::Write;
use std::path::PathBuf;

use clap::Args;

use crate::scenario::starter;

use super::Ending;
use super::output::{Output, complain, put, refuse};

const HELP: &str = "\
Examples:
  forebay new mine.toml
  forebay new > mine.toml";

#[derive(Args)]
#[command(after_help = HELP)]
pub(super) struct NewArgs {
    /// Where to write it (default: stdout); a file that exists is left alone
    file: Option<PathBuf>,
}

pub(super) fn new(args: &NewArgs, output: &Output) -> Ending {
    let Some(path) = &args.file else {
        return put("-", starter()).err().unwrap_or(Ending::Well);
    };
    let written = OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(path)
        .and_then(|mut file| file.write_all(starter().as_bytes()));
    match written {
        Ok(()) => {
            if !output.quiet {
                complain(&format!("wrote {0}; next: forebay run {0}", path.display()));
            }
            Ending::Well
        }
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {
            refuse(format!("`{}` exists and is left as it is\n  help: name another file", path.display()))
        }
        Err(error) => refuse(format!("cannot write `{}`: {error}", path.display())),
    }
}
