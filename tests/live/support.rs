//! A sound server of the test's own, with a microphone that plays what it is given.
//!
//! PulseAudio runs privately, as root or not: folders, socket and state of its own, null sinks
//! for microphone and loudspeaker, and no device of the machine. `passagework` reaches it
//! through ALSA, as on a player's machine.

#![allow(dead_code, reason = "each test file uses what it needs")]

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tempfile::TempDir;

/// How long anything of the server may take before the test gives up.
const PATIENCE: Duration = Duration::from_secs(60);

/// A private sound server; ends with the test.
pub struct SoundServer {
    folder: TempDir,
    server: Child,
    /// One server at a time: two on two cores drop sound.
    _alone: MutexGuard<'static, ()>,
}

static ALONE: Mutex<()> = Mutex::new(());

impl SoundServer {
    pub fn start() -> SoundServer {
        SoundServer::try_start().unwrap_or_else(|why| panic!("{why}"))
    }

    /// Or why there can be none on this machine.
    pub fn try_start() -> Result<SoundServer, String> {
        // A test that failed has left nothing behind.
        let alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
        for program in ["pulseaudio", "pactl", "paplay", "parec"] {
            if Command::new(program).arg("--version").output().is_err() {
                return Err(format!("{program} is missing: run `scripts/setup test`"));
            }
        }
        let folder = TempDir::new().expect("a temporary folder");
        let at = |name: &str| folder.path().join(name);
        for name in ["run", "state", "home"] {
            std::fs::create_dir(at(name)).expect("a folder for the sound server");
        }
        let script = format!(
            "load-module module-native-protocol-unix socket={} auth-anonymous=1\n\
             load-module module-null-sink sink_name=vmic norewinds=1 rate=48000 channels=1 channel_map=mono\n\
             load-module module-null-sink sink_name=vspeaker norewinds=1 rate=48000\n\
             set-default-sink vspeaker\n\
             set-default-source vmic.monitor\n",
            at("socket").display()
        );
        std::fs::write(at("script"), script).expect("the server's script");
        let mut command = Command::new("pulseaudio");
        command
            .args([
                "-n",
                "--daemonize=no",
                "--exit-idle-time=-1",
                "--disallow-exit",
                "--use-pid-file=no",
                "--realtime=no",
                "--high-priority=no",
                "--disable-shm=yes",
                "-F",
            ])
            .arg(at("script"))
            .stdout(Stdio::null())
            .stderr(Stdio::null());
        set_up(&mut command, folder.path());
        let server = command.spawn().expect("pulseaudio starts");
        let server = SoundServer {
            folder,
            server,
            _alone: alone,
        };
        let answers = holds_soon(|| {
            let mut pactl = Command::new("pactl");
            pactl
                .arg("info")
                .stdout(Stdio::null())
                .stderr(Stdio::null());
            set_up(&mut pactl, server.folder.path());
            pactl.status().is_ok_and(|status| status.success())
        });
        if answers {
            Ok(server)
        } else {
            Err("pulseaudio does not answer".into())
        }
    }

    /// A command that talks to this server.
    pub fn command(&self, program: &str) -> Command {
        let mut command = Command::new(program);
        set_up(&mut command, self.folder.path());
        command
    }

    /// The program under test.
    pub fn passagework(&self, arguments: &[&str]) -> Command {
        let mut command = self.command(env!("CARGO_BIN_EXE_passagework"));
        command.args(arguments).env("NO_COLOR", "1");
        command
    }

    /// Plays a file into the microphone; returns when it is over.
    pub fn play(&self, take: &Path) {
        let status = self.player(take).wait().expect("paplay ends");
        assert!(status.success(), "paplay {}: {status}", take.display());
    }

    /// Begins to play a file into the microphone.
    pub fn player(&self, take: &Path) -> Child {
        self.command("paplay")
            .arg("--device=vmic")
            .arg(take)
            .spawn()
            .expect("paplay starts")
    }

    /// Records beside the program what is in the microphone, 16 bits at 48 kHz, as it comes.
    pub fn witness(&self, raw: &Path) -> Child {
        let file = std::fs::File::create(raw).expect("a file for the witness");
        self.command("parec")
            .args(["--device=vmic.monitor", "--format=s16le", "--rate=48000"])
            .args(["--channels=1", "--latency-msec=5", "--raw"])
            .stdout(file)
            .spawn()
            .expect("parec starts")
    }

    /// Waits until somebody records.
    pub fn wait_for_listener(&self) {
        wait_until("the program opens the microphone", || self.is_heard());
    }

    /// Waits until nobody records any more.
    pub fn wait_for_no_listener(&self) {
        wait_until("the program leaves the microphone", || !self.is_heard());
    }

    fn is_heard(&self) -> bool {
        let output = self
            .command("pactl")
            .args(["list", "short", "source-outputs"])
            .output()
            .expect("pactl runs");
        !output.stdout.is_empty()
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Ends the server as a crash would.
    pub fn kill(&mut self) {
        let _ = self.server.kill();
        let _ = self.server.wait();
    }
}

impl Drop for SoundServer {
    fn drop(&mut self) {
        self.kill();
    }
}

/// The environment of a private server in `folder`.
pub fn set_up(command: &mut Command, folder: &Path) {
    let at = |name: &str| folder.join(name);
    command
        .env("PULSE_RUNTIME_PATH", at("run"))
        .env("PULSE_STATE_PATH", at("state"))
        .env("PULSE_COOKIE", at("cookie"))
        .env("PULSE_SERVER", format!("unix:{}", at("socket").display()))
        .env("HOME", at("home"))
        .env("XDG_DATA_HOME", at("home"))
        .env("XDG_RUNTIME_DIR", at("run"))
        .env_remove("PULSE_SINK");
}

/// Looks again and again; fails with `what` when it does not come.
pub fn wait_until(what: &str, holds: impl FnMut() -> bool) {
    assert!(holds_soon(holds), "{what}: not within {PATIENCE:?}");
}

/// Looks again and again; false when it does not come.
fn holds_soon(mut holds: impl FnMut() -> bool) -> bool {
    let begun = Instant::now();
    while !holds() {
        if begun.elapsed() >= PATIENCE {
            return false;
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    true
}

/// Waits for a program of the test's own to end.
pub fn wait_for_end(child: &mut Child, what: &str) -> std::process::ExitStatus {
    let mut status = None;
    wait_until(what, || {
        status = child.try_wait().expect("the program's state");
        status.is_some()
    });
    status.expect("it has ended")
}
