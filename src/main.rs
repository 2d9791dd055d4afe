//! The `forebay` command. Everything is in the library; see `cli`.

use std::process::ExitCode;

fn main() -> ExitCode {
    forebay::cli::main()
}
