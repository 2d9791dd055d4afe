//! The program itself, run as a user runs it: for the tests of its outside.

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};

/// The program with these arguments, input closed.
pub fn forebay(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_forebay"));
    command.args(arguments).stdin(Stdio::null()).current_dir(env!("CARGO_MANIFEST_DIR"));
    command
}

/// What the program says and how it ends.
pub fn outcome(arguments: &[&str]) -> Output {
    forebay(arguments).output().expect("the program starts")
}

/// Exit status, stdout, stderr.
pub fn said(arguments: &[&str]) -> (Option<i32>, String, String) {
    let Output { status, stdout, stderr } = outcome(arguments);
    (status.code(), text(stdout), text(stderr))
}

/// Bytes that must be UTF-8.
pub fn text(bytes: Vec<u8>) -> String {
    String::from_utf8(bytes).expect("UTF-8")
}

/// A folder of a test's own, gone when the test is.
pub struct Folder(PathBuf);

impl Folder {
    /// An empty folder.
    pub fn new() -> Self {
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        let number = NUMBER.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("forebay-test-{}-{number}", std::process::id()));
        std::fs::create_dir_all(&path).expect("a temporary folder");
        Folder(path)
    }

    /// A file's path in it.
    pub fn path(&self, name: &str) -> String {
        self.0.join(name).to_str().expect("UTF-8").to_owned()
    }

    /// Writes a file and gives its path.
    pub fn file(&self, name: &str, text: &str) -> String {
        std::fs::write(Path::new(&self.path(name)), text).expect("room in the temporary folder");
        self.path(name)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        // What cannot be removed is left to the system.
        let _ = std::fs::remove_dir_all(&self.0);
    }
}
