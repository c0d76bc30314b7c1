//! The program: everything is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    bayline::cli::main(std::env::args_os())
}
