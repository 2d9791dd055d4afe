//! `forebay serve`.

use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpListener};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use clap::Args;

use crate::serve::{Folder, serve as serve_folder};

use super::Ending;
use super::output::{Output, complain, put, refuse};

const HELP: &str = "\
Examples:
  forebay serve .                    scenarios, results and sweeps of this folder, at http://127.0.0.1:8780/
  forebay serve results --port 0     at a port that is free

Shows what the folder holds, follows sweeps that are running, and asks a scenario again with a change.
Only programs of this machine reach it unless --bind says otherwise. Files are read and never written.
Ctrl-C stops it.

Exit status: 0 it was stopped, 2 the input is wrong.";

#[derive(Args)]
#[command(after_help = HELP)]
pub(super) struct ServeArgs {
    /// The folder
    folder: PathBuf,
    /// Port to listen at; 0 takes one that is free
    #[arg(long, value_name = "N", default_value_t = 8780)]
    port: u16,
    /// Address to listen at; whoever reaches it sees the folder and may use this machine
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1")]
    bind: String,
}

pub(super) fn serve(args: &ServeArgs, output: &Output, interrupted: &Arc<AtomicBool>) -> Ending {
    started(args, output, interrupted).unwrap_or_else(|ending| ending)
}

fn started(args: &ServeArgs, output: &Output, interrupted: &Arc<AtomicBool>) -> Result<Ending, Ending> {
    let folder = Folder::open(&args.folder).map_err(refuse)?;
    let address = address(&args.bind).ok_or_else(|| {
        refuse(format!(
            "`--bind {}` is no address\n  help: 127.0.0.1 for this machine alone, 0.0.0.0 for all that reach it",
            args.bind
        ))
    })?;
    let listener = TcpListener::bind(SocketAddr::new(address, args.port)).map_err(|error| {
        let help = match error.kind() {
            std::io::ErrorKind::AddrInUse => {
                "something listens there already; `--port 0` takes one that is free"
            }
            std::io::ErrorKind::PermissionDenied => {
                "ports below 1024 are the system's; take another `--port`"
            }
            std::io::ErrorKind::AddrNotAvailable => "`--bind` takes an address of this machine",
            _ => "try another `--port`",
        };
        refuse(format!("cannot listen at {}: {error}\n  help: {help}", SocketAddr::new(address, args.port)))
    })?;
    let listens = listener.local_addr().map_err(refuse)?;
    if !address.is_loopback() {
        complain(&format!(
            "warning: whoever reaches {listens} can read the results in `{}` and use this machine's processors",
            folder.shown
        ));
    }
    if !output.quiet {
        put("-", &format!("http://{listens}/ shows {}; Ctrl-C stops it\n", folder.shown))?;
    }
    serve_folder(listener, folder, interrupted).map_err(refuse)?;
    Ok(Ending::Well)
}

fn address(text: &str) -> Option<IpAddr> {
    match text {
        "localhost" => Some(Ipv4Addr::LOCALHOST.into()),
        text => text.trim_start_matches('[').trim_end_matches(']').parse().ok(),
    }
}
