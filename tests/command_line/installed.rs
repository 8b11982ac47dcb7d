//! Man pages and completions where the system's own programs find them.

use std::path::Path;
use std::process::Command;

use super::thumbreel;

/// The pages by `man`'s own renderer, the completions by the shell that reads them.
#[test]
fn one_command_fills_a_prefix() {
    let folder = tempfile::tempdir().unwrap();
    let prefix = folder.path().join("usr");
    let write = |more: &[&str]| {
        let mut command = thumbreel(folder.path());
        command.args(["manual", "--prefix", "usr"]).args(more);
        command.output().unwrap()
    };
    let output = write(&[]);
    assert!(output.status.success(), "{output:?}");
    let share = prefix.join("share");
    let page = share.join("man/man1/thumbreel-convert.1");
    let text = std::fs::read_to_string(&page).unwrap();
    // man(7): a page begins with its title line and has a NAME section.
    assert!(text.contains(".TH") && text.contains(".SH NAME"), "{text}");
    let shell = share.join("bash-completion/completions/thumbreel");
    // The shell's own variables of programmable completion (its manual, 8.6).
    let script = ". \"$1\"; COMP_WORDS=(thumbreel conv); COMP_CWORD=1; \
                  _thumbreel thumbreel conv thumbreel; echo \"${COMPREPLY[*]}\"";
    let output = Command::new("bash")
        .args(["-c", script, "bash"])
        .arg(&shell)
        .output()
        .unwrap();
    assert_eq!(String::from_utf8_lossy(&output.stdout).trim(), "convert");
    let starts = |name: &str, with: &str| {
        let text = std::fs::read_to_string(share.join(name)).unwrap();
        assert!(text.starts_with(with), "{name}");
    };
    // The tag by which that shell finds a completion function (its manual, 20.2.1).
    starts("zsh/site-functions/_thumbreel", "#compdef thumbreel");
    assert!(
        share
            .join("fish/vendor_completions.d/thumbreel.fish")
            .is_file()
    );

    // Written once, they stay until told otherwise.
    let refused = write(&[]);
    let said = String::from_utf8_lossy(&refused.stderr);
    assert_eq!(refused.status.code(), Some(1));
    assert!(
        said.contains("exists") && said.contains("--overwrite"),
        "{said}"
    );
    std::fs::write(&page, "another's").unwrap();
    assert!(write(&["--overwrite"]).status.success());
    assert_eq!(std::fs::read_to_string(&page).unwrap(), text);
    assert!(!Path::new("usr").exists());
}

/// A folder whose name the media library cannot be given.
#[cfg(target_os = "linux")]
#[test]
fn a_film_into_a_folder_that_is_not_unicode_is_refused_in_words() {
    use std::os::unix::ffi::OsStrExt;
    let folder = tempfile::tempdir().unwrap();
    let odd = folder
        .path()
        .join(std::ffi::OsStr::from_bytes(b"harbour-\xff"));
    std::fs::create_dir(&odd).unwrap();
    let reel = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/data/archive/v1/patch-full-adpcm.tbr"
    );
    let mut command = thumbreel(&odd);
    let absolute = odd.join("film.mp4");
    let output = command
        .args(["export", reel, "-o"])
        .arg(&absolute)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("Unicode; choose another folder"), "{said}");
    assert_eq!(odd.read_dir().unwrap().count(), 0);
}
