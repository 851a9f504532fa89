//! Who may ask: only a page that this server gave to somebody who knows the token.
//!
//! Any web page open in the same browser can send requests to 127.0.0.1, and a name of its own
//! can be made to point there (DNS rebinding). So every request must name this server as its
//! host, must come from this page where the browser says whence, and must carry in its path
//! a token that nobody can guess. The token is in the path and not in a cookie: cookies go to
//! every port of the machine. It leaves neither as a referrer (none is sent) nor by a link
//! (there is none outwards), and dies with the process.

use axum::extract::{Request, State};
use axum::http::header::{self, HeaderName};
use axum::http::{HeaderMap, HeaderValue, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

/// Random bytes of a token: 128 bits, as much as a session identifier should have at least
/// twice over (OWASP Session Management Cheat Sheet: 64 bits of entropy).
const TOKEN_BYTES: usize = 16;

/// What a request must show.
#[derive(Clone, Debug)]
pub struct Guard {
    /// `127.0.0.1:PORT`.
    host: String,
    token: String,
    policy: HeaderValue,
}

impl Guard {
    pub fn new(port: u16) -> Result<Guard, getrandom::Error> {
        let mut bytes = [0; TOKEN_BYTES];
        getrandom::fill(&mut bytes)?;
        let token = bytes.iter().map(|b| format!("{b:02x}")).collect();
        let host = format!("127.0.0.1:{port}");
        // Some browsers do not count a websocket of the same host as 'self'.
        let policy = format!(
            "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; \
             media-src 'self'; connect-src 'self' ws://{host}; base-uri 'none'; \
             form-action 'none'; frame-ancestors 'none'"
        );
        Ok(Guard {
            policy: HeaderValue::from_str(&policy).expect("the policy is plain ASCII"),
            host,
            token,
        })
    }

    /// Where the page is.
    pub fn address(&self) -> String {
        format!("http://{}/{}/", self.host, self.token)
    }

    /// The part of every path before the page's own.
    pub fn prefix(&self) -> String {
        format!("/{}", self.token)
    }

    /// Why a request with these headers and this path is refused, if it is.
    fn refuses(&self, headers: &HeaderMap, path: &str) -> Option<&'static str> {
        let all = |name| headers.get_all(name).iter();
        if all(header::HOST).count() != 1 || all(header::HOST).any(|h| h != self.host.as_str()) {
            return Some("This server answers only at the address that passagework printed.");
        }
        let ours = format!("http://{}", self.host);
        let foreign_origin = all(header::ORIGIN).any(|o| o != ours.as_str());
        // "none" is the player's own doing: an address typed in or opened from a terminal.
        let foreign_site = all(SEC_FETCH_SITE).any(|site| site != "same-origin" && site != "none");
        if foreign_origin || foreign_site {
            return Some("Only the page of passagework itself may ask this server.");
        }
        let token = path.split('/').nth(1).unwrap_or_default();
        if !same(token.as_bytes(), self.token.as_bytes()) {
            return Some(
                "This address lacks the right token: open the address that passagework printed \
                 when it was last started.",
            );
        }
        None
    }
}

const SEC_FETCH_SITE: HeaderName = HeaderName::from_static("sec-fetch-site");

/// Compares in a time that does not tell how many of the first bytes were right.
fn same(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && a.iter().zip(b).fold(0, |all, (x, y)| all | (x ^ y)) == 0
}

/// Turns strangers away, and puts on every answer what keeps the page to itself.
pub async fn guard(State(guard): State<Guard>, request: Request, next: Next) -> Response {
    let refused = guard.refuses(request.headers(), request.uri().path());
    let mut response = match refused {
        Some(why) => (StatusCode::FORBIDDEN, format!("{why}\n")).into_response(),
        None => next.run(request).await,
    };
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_SECURITY_POLICY, guard.policy);
    for (name, value) in KEPT_TO_ITSELF {
        headers.insert(name, HeaderValue::from_static(value));
    }
    response
}

const KEPT_TO_ITSELF: [(HeaderName, &str); 7] = [
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::CACHE_CONTROL, "no-store"),
    (
        HeaderName::from_static("cross-origin-opener-policy"),
        "same-origin",
    ),
    (
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    ),
    // The microphone is this program's; the browser asks for none.
    (
        HeaderName::from_static("permissions-policy"),
        "microphone=(), camera=(), geolocation=()",
    ),
];
