//! What was said to be kept is there: after kill -9 at any moment, with two programs at once,
//! and when the disk is full. The keepers are real processes.

use std::io::Read;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use crate::support::Material;
use passagework::keep::{Library, TakeFilter, TakeId};
use passagework::sound::voice::Rng;

/// Where a child keeps its takes; set for children alone.
const DIR: &str = "PASSAGEWORK_TEST_KEEP_DIR";
/// Moments of the kill tried here; the bench tries 200.
const KILLS: usize = 40;
/// Takes a child keeps when it is left alone.
const TAKES: u64 = 12;

/// Not a test of its own: what the child processes do. Says each take once it is kept.
#[test]
fn child_keeps_takes() {
    let Some(dir) = std::env::var_os(DIR) else {
        return;
    };
    let material = Material::new();
    let seed: u64 = std::env::var("PASSAGEWORK_TEST_SEED")
        .unwrap()
        .parse()
        .unwrap();
    println!("ready");
    let mut library = match Library::open(Path::new(&dir)) {
        Ok(library) => library,
        Err(error) => return println!("refused: {error}"),
    };
    for n in 0..TAKES {
        let recording = material.recording(seed * 1000 + n);
        match material.keep(&mut library, &recording) {
            Ok(kept) => println!("kept {}", kept.id),
            Err(error) => println!("refused: {error}"),
        }
    }
}

fn child(dir: &Path, seed: u64, limit: Option<&str>) -> Child {
    let exe = std::env::current_exe().unwrap();
    let mut command = match limit {
        Some(limit) => {
            let mut command = Command::new("sh");
            // The signal a too large file brings is ignored, so that writing gives an error.
            command.args(["-c", &format!("trap '' XFSZ; {limit} exec \"$0\" \"$@\"")]);
            command.arg(exe);
            command
        }
        None => Command::new(exe),
    };
    command
        .args([
            "--exact",
            "crash::child_keeps_takes",
            "--nocapture",
            "--test-threads=1",
        ])
        .env(DIR, dir)
        .env("PASSAGEWORK_TEST_SEED", seed.to_string())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

fn kept_of(said: &str) -> Vec<TakeId> {
    said.lines()
        .filter_map(|line| line.split("kept ").nth(1)?.trim().parse().ok())
        .map(TakeId)
        .collect()
}

/// Every take of `ids` is in the library with its report, and its recording opens whole.
fn assert_there(library: &Library, ids: &[TakeId], material: &Material) {
    let listed = library.takes(TakeFilter::default()).unwrap();
    for id in ids {
        assert!(listed.iter().any(|t| t.id == *id), "take {id} is lost");
        assert_eq!(library.check(*id).unwrap().summary, material.check.summary);
        let recording = library.recording(*id).unwrap();
        let take = passagework::sound::read_take(&recording).expect("the recording opens");
        assert_eq!(take.samples.len(), material.samples.len(), "take {id}");
        assert!(take.warnings.is_empty(), "{:?}", take.warnings);
    }
}

#[test]
fn kill_at_any_moment_loses_nothing_that_was_said_to_be_kept() {
    let material = Material::new();
    let dir = material.dir.path().join("library");
    let mut rng = Rng::new(20_261_125);
    let mut said_kept: Vec<TakeId> = Vec::new();
    for round in 0..KILLS {
        let mut child = child(&dir, 1 + round as u64, None);
        let mut out = child.stdout.take().unwrap();
        // From the first word on, so that the start of the program does not take all the kills.
        let mut said = Vec::new();
        let mut byte = [0];
        while !said.ends_with(b"ready\n") {
            assert_eq!(
                out.read(&mut byte).unwrap(),
                1,
                "the child says it is ready"
            );
            said.push(byte[0]);
        }
        std::thread::sleep(Duration::from_micros((rng.unit() * 800_000.0) as u64));
        child.kill().unwrap();
        child.wait().unwrap();
        let mut rest = String::new();
        out.read_to_string(&mut rest).unwrap();
        assert!(!rest.contains("refused:"), "{rest}");
        said_kept.extend(kept_of(&rest));
        assert_there(&Library::open(&dir).unwrap(), &said_kept, &material);
    }
    // Some kills came after a take was kept, or nothing has been shown.
    assert!(said_kept.len() >= 5, "{} kept", said_kept.len());
    // Nothing in the folder that no row names, but parts too young to be swept.
    let library = Library::open(&dir).unwrap();
    let n_takes = library.takes(TakeFilter::default()).unwrap().len();
    let whole = std::fs::read_dir(dir.join("recordings"))
        .unwrap()
        .filter(|e| {
            !e.as_ref()
                .unwrap()
                .file_name()
                .to_string_lossy()
                .starts_with("part-")
        })
        .count();
    assert_eq!(whole, n_takes);
}

#[test]
fn two_programs_keep_at_once() {
    let material = Material::new();
    let dir = material.dir.path().join("library");
    let children = [child(&dir, 501, None), child(&dir, 502, None)];
    let mut ids = Vec::new();
    for child in children {
        let said = child.wait_with_output().unwrap();
        let said = String::from_utf8_lossy(&said.stdout).into_owned();
        assert!(!said.contains("refused:"), "{said}");
        ids.extend(kept_of(&said));
    }
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len() as u64, 2 * TAKES);
    assert_there(&Library::open(&dir).unwrap(), &ids, &material);
}

/// The database reaches a limit that the recordings stay under.
#[test]
fn a_file_that_cannot_grow_is_told_and_loses_nothing() {
    let material = Material::new();
    let dir = material.dir.path().join("library");
    let (mut refused, mut ids) = (0, Vec::new());
    for round in 0..2 {
        // Blocks of 512 bytes: a recording of the study is 500 kB as WAV.
        let said = child(&dir, 700 + round, Some("ulimit -f 1100;"))
            .wait_with_output()
            .unwrap();
        let said = String::from_utf8_lossy(&said.stdout).into_owned();
        ids.extend(kept_of(&said));
        refused += said.matches("refused:").count();
        assert_there(&Library::open(&dir).unwrap(), &ids, &material);
    }
    assert!(refused > 0, "the limit was never reached");
    let mut library = Library::open(&dir).unwrap();
    let kept = material
        .keep(&mut library, &material.recording(99))
        .unwrap();
    assert_there(&library, &[kept.id], &material);
}

/// A real full disk, where this user may mount one.
#[test]
fn a_full_disk_is_told_and_loses_nothing() {
    let material = Material::new();
    let mount = material.dir.path().join("small");
    std::fs::create_dir(&mount).unwrap();
    let mounted = Command::new("mount")
        .args(["-t", "tmpfs", "-o", "size=900k", "tmpfs"])
        .arg(&mount)
        .stderr(Stdio::null())
        .status();
    if !mounted.is_ok_and(|status| status.success()) {
        eprintln!("no right to mount a small disk here: not tried");
        return;
    }
    let _unmount = Unmount(&mount);
    let dir = mount.join("library");
    let mut library = Library::open(&dir).unwrap();
    let mut ids = Vec::new();
    let error = loop {
        match material.keep(&mut library, &material.recording(ids.len() as u64)) {
            Ok(kept) => ids.push(kept.id),
            Err(error) => break error.to_string(),
        }
        assert!(ids.len() < 50, "the disk never filled");
    };
    assert!(error.contains("free some space"), "{error}");
    assert!(!ids.is_empty());
    assert_there(&library, &ids, &material);
    drop(library);
    let mut library = Library::open(&dir).unwrap();
    assert_there(&library, &ids, &material);
    // Room again: keeping goes on.
    library.delete(ids[0]).unwrap();
    let kept = material
        .keep(&mut library, &material.recording(77))
        .unwrap();
    assert_there(
        &library,
        &[ids[1..].to_vec(), vec![kept.id]].concat(),
        &material,
    );
}

struct Unmount<'a>(&'a Path);

impl Drop for Unmount<'_> {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(self.0).status();
    }
}
