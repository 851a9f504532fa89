//! Sound lost when the program is killed outright while it listens.
//!
//! A take is played into a virtual microphone, to the program and to a second recorder, whose
//! file says what had been in the microphone when the program was killed. Both are found again
//! in what was played, sample by sample.

use std::path::Path;
use std::process::{Child, Stdio};
use std::time::Duration;

use super::wav::write_wav;
use super::{RATE_HZ, support::SoundServer};

/// The end of a recording is looked for by so many samples, 85 ms: longer than the silence
/// between two notes.
const TAIL_SAMPLES: usize = 4096;

/// Two rendered takes are the same where their samples differ by less: two steps of 16 bits.
const SAME: f32 = 2.0 / 32_768.0;

/// First moment of a kill, seconds of playing, and from one to the next: every part of the time
/// between two writings to disk comes.
const FIRST_S: f64 = 0.9;
const STEP_S: f64 = 0.33;

/// Prints the median and the largest of `n_kills`, or why there are none.
pub fn print(etude: &Path, played: &[f32], n_kills: usize) {
    let server = match SoundServer::try_start() {
        Ok(server) => server,
        Err(why) => return println!("killed in mid-take: not measured, {why}"),
    };
    let take = server.path("take.wav");
    write_wav(&take, played, RATE_HZ);
    let mut lost_ms: Vec<f64> = Vec::new();
    for k in 0..n_kills {
        match kill(&server, etude, &take, played, FIRST_S + STEP_S * k as f64) {
            Some(lost_s) => lost_ms.push(1e3 * lost_s),
            None => println!("killed in mid-take: kill {k} not measured, its sound was not found"),
        }
    }
    lost_ms.sort_by(f64::total_cmp);
    if let (Some(median), Some(most)) = (lost_ms.get(lost_ms.len() / 2), lost_ms.last()) {
        println!(
            "killed in mid-take: {median:.0} ms of sound lost (median of {}), {most:.0} ms at the most",
            lost_ms.len()
        );
    }
}

/// Seconds lost by one kill once `after_s` of the take have been played.
fn kill(
    server: &SoundServer,
    etude: &Path,
    take: &Path,
    played: &[f32],
    after_s: f64,
) -> Option<f64> {
    let (kept, raw) = (server.path("kept.wav"), server.path("witness.raw"));
    let _ = std::fs::remove_file(&kept);
    let path = |path: &Path| path.to_str().expect("a path of plain letters").to_owned();
    let mut program = server
        .passagework(&["listen", &path(etude), "--save", &path(&kept)])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    server.wait_for_listener();
    let mut witness = server.witness(&raw);
    let mut player = server.player(take);
    while place_s(&witnessed(&raw), played).is_none_or(|s| s < after_s) {
        if player.try_wait().expect("the player's state").is_some() {
            break;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    end(&mut program);
    // Read after the kill: at worst some milliseconds too many are counted as lost.
    let in_microphone = witnessed(&raw);
    end(&mut witness);
    end(&mut player);
    let reader = hound::WavReader::open(&kept).expect("what was kept opens");
    let n_channels = usize::from(reader.spec().channels);
    let in_file: Vec<f32> = reader
        .into_samples()
        .step_by(n_channels)
        .map(|s| s.expect("a sample"))
        .collect();
    Some(place_s(&in_microphone, played)? - place_s(&in_file, played)?)
}

fn end(child: &mut Child) {
    child.kill().expect("it is killed");
    child.wait().expect("it is gone");
}

fn witnessed(raw: &Path) -> Vec<f32> {
    std::fs::read(raw)
        .expect("what the witness wrote")
        .chunks_exact(2)
        .map(|s| f32::from(i16::from_le_bytes([s[0], s[1]])) / 32_768.0)
        .collect()
}

/// Seconds of the take at which a recording of it ends.
fn place_s(recording: &[f32], played: &[f32]) -> Option<f64> {
    let tail = &recording[recording.len().checked_sub(TAIL_SAMPLES)?..];
    tail.iter().position(|x| x.abs() > SAME)?;
    let at = played.windows(TAIL_SAMPLES).position(|w| {
        let mut pairs = w.iter().zip(tail);
        pairs.all(|(a, b)| (a - b).abs() < SAME)
    })?;
    Some((at + TAIL_SAMPLES) as f64 / f64::from(RATE_HZ))
}
