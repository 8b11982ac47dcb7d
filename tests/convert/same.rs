//! The same bytes every time, and nothing half-done.

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

use thumbreel::convert::{ConvertError, ConvertPlan, Progress, Quiet, State, run};
use thumbreel::files::OutputError;

use crate::common::media::{ffmpeg, folder, packaged};
use crate::{choices, convert};

#[test]
fn bytes_do_not_depend_on_threads() {
    let folder = folder();
    for name in ["bigbuckbunny.mp4", "box.mp4"] {
        let made = [1, 2, 5].map(|threads| {
            let reel = folder.path().join(format!("{threads}.tbr"));
            let choices = choices(|c| {
                c.threads = threads;
                c.overwrite = true;
                c.length = Some(thumbreel::units::Nanos(3_000_000_000));
            });
            convert(&choices, &packaged(name), &reel);
            std::fs::read(reel).unwrap()
        });
        assert!(made[1] == made[0] && made[2] == made[0], "{name}");
    }
}

/// Sets the flag after the first slice.
struct Stopper<'a>(&'a AtomicBool);

impl Progress for Stopper<'_> {
    fn update(&self, _state: &State) {
        self.0.store(true, Ordering::Relaxed);
    }
}

fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap();
    entries
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect()
}

#[test]
fn a_stopped_conversion_leaves_nothing() {
    let folder = folder();
    let reel = folder.path().join("a.tbr");
    let plan = ConvertPlan::resolve(&choices(|_| {}), &packaged("vtest.avi"), &reel).unwrap();
    let stop = AtomicBool::new(false);
    let result = run(&plan, &Stopper(&stop), &stop);
    assert!(matches!(result, Err(ConvertError::Stopped(_))));
    assert!(names(folder.path()).is_empty());
}

/// A file on a FAT32 card ends below 4 GiB (the field of its size has 32 bits).
#[test]
fn a_reel_too_large_for_its_card_is_refused_with_the_way_out() {
    let folder = folder();
    let reel = folder.path().join("a.tbr");
    let plan = |part_size| {
        let choices = choices(|c| c.part_size = part_size);
        ConvertPlan::resolve(&choices, &packaged("vtest.avi"), &reel).unwrap()
    };
    assert_eq!(plan(None).file_limit, Some(4_294_966_784));
    assert_eq!(plan(Some(5_000_000)).file_limit, None);
    let mut small = plan(None);
    small.file_limit = Some(1_000_000);
    let refused = run(&small, &Quiet, &AtomicBool::new(false)).unwrap_err();
    assert!(refused.to_string().contains("--part-size"), "{refused}");
    assert!(names(folder.path()).is_empty());
}

#[test]
fn a_failed_conversion_leaves_what_was_there() {
    let folder = folder();
    let reel = folder.path().join("a.tbr");
    std::fs::write(&reel, b"an earlier reel").unwrap();
    ffmpeg(
        folder.path(),
        "-f lavfi -i testsrc2=s=64x48:r=10:d=1 -c:v mpeg4 a.mp4",
    );
    let clip = folder.path().join("a.mp4");
    let kept = |what: &str| assert_eq!(std::fs::read(&reel).unwrap(), b"an earlier reel", "{what}");
    let refused = ConvertPlan::resolve(&choices(|_| {}), &clip, &reel);
    assert!(matches!(
        refused,
        Err(ConvertError::Output(OutputError::Exists(..)))
    ));
    kept("not told to overwrite");
    let plan = ConvertPlan::resolve(&choices(|c| c.overwrite = true), &clip, &reel).unwrap();
    // A copy opens the clip anew.
    let plan = plan.clone();
    std::fs::write(&clip, b"no longer a clip").unwrap();
    assert!(run(&plan, &Quiet, &AtomicBool::new(false)).is_err());
    kept("the clip broke after it was planned");
    assert_eq!(names(folder.path()).len(), 2);
}
