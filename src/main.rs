//! The program `thumbreel`: parse, dispatch, exit code; nothing else.
#![forbid(unsafe_code)]

fn main() -> std::process::ExitCode {
    thumbreel::command::main()
}
