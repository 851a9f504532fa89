//! The page as a player has it: the program running, and a real browser on it.

#![allow(dead_code, reason = "each test file uses what it needs")]

use std::future::Future;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::http::Method;
use fantoccini::actions::{InputSource, KeyAction, KeyActions};
use fantoccini::key::Key;
use fantoccini::wd::WebDriverCompatibleCommand;
use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};
use tempfile::TempDir;

/// The program with its page open, ended when dropped. What it remembers and what it takes in
/// lie in `folder`.
pub struct Served {
    child: Child,
    pub address: String,
    pub folder: Arc<TempDir>,
}

impl Served {
    pub fn start(arguments: &[&str]) -> Served {
        Served::start_in(Arc::new(TempDir::new().expect("a folder")), arguments)
    }

    pub fn start_in(folder: Arc<TempDir>, arguments: &[&str]) -> Served {
        let mut child = Command::new(env!("CARGO_BIN_EXE_passagework"))
            .arg("page")
            .args(arguments)
            .env("XDG_CONFIG_HOME", folder.path())
            .env("XDG_DATA_HOME", folder.path())
            .env("HOME", folder.path())
            .env("TMPDIR", folder.path())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let said = BufReader::new(child.stdout.take().expect("its output"));
        let address = said
            .lines()
            .map_while(Result::ok)
            .find(|line| line.contains("http://"))
            .expect("the page's address is printed");
        Served {
            child,
            address: address.trim().to_string(),
            folder,
        }
    }

    /// `127.0.0.1:PORT`.
    pub fn host(&self) -> &str {
        self.address.split('/').nth(2).expect("a host")
    }

    pub fn token(&self) -> &str {
        self.address.split('/').nth(3).expect("a token")
    }

    pub fn port(&self) -> u16 {
        let port = self.host().rsplit(':').next().expect("a port");
        port.parse().expect("a number")
    }

    /// One request exactly as written, without a library's manners; the whole answer.
    pub fn say(&self, request: &str) -> String {
        self.send(request, b"")
    }

    /// A request with a body, whole or as far as it is listened to; the whole answer.
    pub fn send(&self, request: &str, body: &[u8]) -> String {
        let mut stream = TcpStream::connect(self.host()).expect("the page answers");
        let request = request.replace('\n', "\r\n");
        stream.write_all(request.as_bytes()).expect("it listens");
        // A refused upload is cut off; what was said before that counts.
        let _ = stream.write_all(body);
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        String::from_utf8_lossy(&answer).into_owned()
    }

    /// Ends it as a terminal does, and waits until it is gone.
    pub fn end(&mut self) {
        let pid = self.child.id().to_string();
        let _ = Command::new("kill").args(["-TERM", &pid]).status();
        let _ = self.child.wait();
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A line and a take of `testdata/takes`.
pub fn made(name: &str) -> (PathBuf, PathBuf) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("testdata/takes")
        .join(name);
    (folder.join("line.musicxml"), folder.join("take.flac"))
}

/// What `check --json -` says of the same line and take.
pub fn checked(line: &Path, take: &Path) -> Value {
    let output = Command::new(env!("CARGO_BIN_EXE_passagework"))
        .arg("check")
        .args([line, take])
        .args(["--json", "-"])
        .output()
        .expect("the program starts");
    serde_json::from_slice(&output.stdout).expect("a check as JSON")
}

/// One browser at a time: two would only make both slow.
static BROWSER: tokio::sync::Mutex<()> = tokio::sync::Mutex::const_new(());

/// How long anything on the page may take before a test gives up; no figure.
const PATIENCE: Duration = Duration::from_secs(120);

/// A page open in a browser.
#[derive(Clone)]
pub struct Tab {
    pub client: Client,
    pub address: String,
}

/// Opens the page in a browser and runs `test` on it. Whatever the test does, the browser's
/// console must stay without errors and no request may go anywhere but to the page's own server.
pub async fn browse<F, T>(served: &Served, test: F)
where
    F: FnOnce(Tab) -> T,
    T: Future<Output = ()> + Send + 'static,
{
    let _one = BROWSER.lock().await;
    let driver = ChromeDriver::start();
    let client = driver.connect().await;
    let tab = Tab {
        client,
        address: served.address.clone(),
    };
    let origin = format!("http://{}/", served.host());
    let run = {
        let (tab, body) = (tab.clone(), test(tab.clone()));
        tokio::spawn(async move {
            tab.client.goto(&tab.address).await.expect("the page opens");
            tab.wait("document.querySelectorAll('#instrument option').length > 1")
                .await;
            body.await;
            let errors = tab.console_errors().await;
            assert!(errors.is_empty(), "the console has {errors:#?}");
            let strangers: Vec<String> = tab
                .requests()
                .await
                .into_iter()
                .filter(|url| {
                    !url.starts_with(&origin)
                        && !url.starts_with(&origin.replacen("http", "ws", 1))
                        && !url.starts_with("data:")
                })
                .collect();
            assert!(strangers.is_empty(), "requests went to {strangers:?}");
        })
        .await
    };
    let _ = tab.client.close().await;
    drop(driver);
    if let Err(failed) = run {
        std::panic::resume_unwind(failed.into_panic());
    }
}

struct ChromeDriver {
    child: Child,
    address: String,
}

impl ChromeDriver {
    fn start() -> ChromeDriver {
        let places = ["chromedriver", "/usr/lib/chromium-browser/chromedriver"];
        let mut child = places
            .into_iter()
            .find_map(|place| {
                Command::new(place)
                    .arg("--port=0")
                    .stdout(Stdio::piped())
                    .stderr(Stdio::null())
                    .spawn()
                    .ok()
            })
            .expect("no chromedriver here: run `scripts/setup test`");
        let said = BufReader::new(child.stdout.take().expect("its output"));
        let port: u16 = said
            .lines()
            .map_while(Result::ok)
            .find_map(|line| {
                line.rsplit_once("successfully on port ")?
                    .1
                    .trim_end_matches('.')
                    .parse()
                    .ok()
            })
            .expect("chromedriver says its port");
        ChromeDriver {
            child,
            address: format!("http://127.0.0.1:{port}"),
        }
    }

    async fn connect(&self) -> Client {
        let options = json!({
            "goog:chromeOptions": {
                "args": [
                    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic",
                    "--no-first-run", "--disable-background-networking",
                    "--disable-component-update", "--disable-sync", "--mute-audio",
                    "--autoplay-policy=no-user-gesture-required",
                ],
            },
            "goog:loggingPrefs": { "browser": "ALL", "performance": "ALL" },
        });
        let capabilities = options.as_object().expect("an object").clone();
        ClientBuilder::new(HttpConnector::new())
            .capabilities(capabilities)
            .connect(&self.address)
            .await
            .expect("no Chromium that starts here: run `scripts/setup test`")
    }
}

impl Drop for ChromeDriver {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A command of Chromium's driver beyond the WebDriver standard.
#[derive(Debug)]
struct Beyond {
    path: &'static str,
    body: Value,
}

impl WebDriverCompatibleCommand for Beyond {
    fn endpoint(
        &self,
        base: &url::Url,
        session: Option<&str>,
    ) -> Result<url::Url, url::ParseError> {
        base.join(&format!(
            "session/{}/{}",
            session.unwrap_or_default(),
            self.path
        ))
    }

    fn method_and_body(&self, _: &url::Url) -> (Method, Option<String>) {
        (Method::POST, Some(self.body.to_string()))
    }
}

impl Tab {
    /// Runs `code` in the page and gives what it returns.
    pub async fn run(&self, code: &str) -> Value {
        self.run_with(code, &[]).await
    }

    pub async fn run_with(&self, code: &str, arguments: &[Value]) -> Value {
        let done = self.client.execute(code, arguments.to_vec()).await;
        done.unwrap_or_else(|e| panic!("{e} in {code}"))
    }

    /// Waits until `condition` holds in the page.
    pub async fn wait(&self, condition: &str) {
        let begun = Instant::now();
        while self.run(&format!("return Boolean({condition})")).await != json!(true) {
            if begun.elapsed() > PATIENCE {
                let said = self.text("#trouble").await + &self.text("#status").await;
                panic!("waited in vain for {condition}; the page says: {said}");
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    }

    pub async fn text(&self, selector: &str) -> String {
        let text = self
            .run_with(
                "return document.querySelector(arguments[0])?.textContent ?? ''",
                &[json!(selector)],
            )
            .await;
        text.as_str().unwrap_or_default().trim().to_string()
    }

    pub async fn texts(&self, selector: &str) -> Vec<String> {
        let code =
            "return [...document.querySelectorAll(arguments[0])].map((e) => e.textContent.trim())";
        let texts = self.run_with(code, &[json!(selector)]).await;
        serde_json::from_value(texts).expect("a list of texts")
    }

    /// Chooses a file by the browser's own input, as its dialogue does.
    pub async fn choose(&self, input: &str, file: &Path) {
        let input = self
            .client
            .find(Locator::Css(input))
            .await
            .expect("the input");
        let file = file.to_str().expect("a plain path");
        input.send_keys(file).await.expect("the file is taken");
    }

    /// Drops a text file on the page, as the desktop does.
    pub async fn drop_text(&self, name: &str, content: &str) {
        let code = "
            const carried = new DataTransfer();
            carried.items.add(new File([arguments[1]], arguments[0]));
            for (const type of ['dragenter', 'dragover', 'drop']) {
              document.body.dispatchEvent(new DragEvent(type, { dataTransfer: carried, bubbles: true, cancelable: true }));
            }";
        self.run_with(code, &[json!(name), json!(content)]).await;
    }

    pub async fn click(&self, selector: &str) {
        let begun = Instant::now();
        loop {
            let clicked = match self.client.find(Locator::Css(selector)).await {
                Ok(element) => element.click().await,
                Err(error) => Err(error),
            };
            match clicked {
                Ok(()) => return,
                // The page drew it anew between the finding and the clicking.
                Err(error)
                    if begun.elapsed() > PATIENCE || !error.to_string().contains("stale") =>
                {
                    panic!("{selector}: {error}")
                }
                Err(_) => tokio::time::sleep(Duration::from_millis(50)).await,
            }
        }
    }

    /// Presses a key, whatever has the focus.
    pub async fn press(&self, key: Key) {
        let value = char::from(key);
        let presses = KeyActions::new("keyboard".into())
            .then(KeyAction::Down { value })
            .then(KeyAction::Up { value });
        self.client
            .perform_actions(presses)
            .await
            .expect("the key arrives");
    }

    pub async fn devtools(&self, command: &str, parameters: Value) -> Value {
        self.beyond(
            "goog/cdp/execute",
            json!({ "cmd": command, "params": parameters }),
        )
        .await
    }

    async fn beyond(&self, path: &'static str, body: Value) -> Value {
        let done = self.client.issue_cmd(Beyond { path, body }).await;
        done.unwrap_or_else(|e| panic!("{path}: {e}"))
    }

    pub async fn window(&self, width: u32, height: u32) {
        self.devtools(
            "Emulation.setDeviceMetricsOverride",
            json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": false }),
        )
        .await;
    }

    /// Asserts that nothing of the page lies beyond a window of this width.
    pub async fn assert_fits(&self, width: u32) {
        self.window(width, 900).await;
        let over = self
            .run("return document.documentElement.scrollWidth - innerWidth")
            .await;
        assert!(
            over.as_i64().is_some_and(|o| o <= 0),
            "{over} pixels too wide at {width}"
        );
    }

    pub async fn scheme(&self, scheme: &str) {
        let features = json!([{ "name": "prefers-color-scheme", "value": scheme }]);
        self.devtools(
            "Emulation.setEmulatedMedia",
            json!({ "features": features }),
        )
        .await;
    }

    /// Keeps a picture of the whole page among the tests' own files, for people to look at.
    pub async fn keep_picture(&self, name: &str) {
        let parameters = json!({ "format": "png", "captureBeyondViewport": true });
        let shot = self.devtools("Page.captureScreenshot", parameters).await;
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("page");
        std::fs::create_dir_all(&folder).expect("a folder for pictures");
        let png = base64(shot["data"].as_str().expect("a picture"));
        std::fs::write(folder.join(format!("{name}.png")), png).expect("a picture kept");
    }

    /// Errors of the browser's console since it was last asked.
    async fn console_errors(&self) -> Vec<String> {
        let log = self.beyond("se/log", json!({ "type": "browser" })).await;
        let entries = log.as_array().cloned().unwrap_or_default();
        let text = |e: &Value| e["message"].as_str().unwrap_or_default().to_string();
        entries
            .iter()
            .filter(|e| e["level"] == "SEVERE" || text(e).contains("Content Security Policy"))
            .map(text)
            .collect()
    }

    /// Where the browser's network layer sent requests and websockets for this page.
    async fn requests(&self) -> Vec<String> {
        let log = self
            .beyond("se/log", json!({ "type": "performance" }))
            .await;
        let entries = log.as_array().cloned().unwrap_or_default();
        let urls: Vec<String> = entries
            .iter()
            .filter_map(|e| serde_json::from_str::<Value>(e["message"].as_str()?).ok())
            .filter_map(|m| {
                let parameters = &m["message"]["params"];
                match m["message"]["method"].as_str()? {
                    "Network.requestWillBeSent" => parameters["request"]["url"].as_str(),
                    "Network.webSocketCreated" => parameters["url"].as_str(),
                    _ => None,
                }
                .map(String::from)
            })
            .collect();
        assert!(
            !urls.is_empty(),
            "the browser's record of requests is empty"
        );
        urls
    }
}

/// RFC 4648, as much of it as a picture needs.
fn base64(text: &str) -> Vec<u8> {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut bytes = Vec::with_capacity(text.len() * 3 / 4);
    let (mut bits, mut n_bits) = (0u32, 0);
    for letter in text.bytes() {
        let Some(value) = LETTERS.iter().position(|l| *l == letter) else {
            continue;
        };
        bits = bits << 6 | value as u32;
        n_bits += 6;
        if n_bits >= 8 {
            n_bits -= 8;
            bytes.push((bits >> n_bits) as u8);
        }
    }
    bytes
}
