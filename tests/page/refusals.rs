//! The page's server turns strangers away. Requests are written out byte by byte, so that no
//! library puts them right. Header meanings: RFC 9110 (Host), RFC 6454 (Origin), W3C Fetch
//! Metadata (Sec-Fetch-Site), W3C Content Security Policy Level 3.

use crate::support::{Served, made};

/// The status of an answer, and the sentence it carries.
fn status(answer: &str) -> u16 {
    let word = answer.split(' ').nth(1).unwrap_or_default();
    word.parse()
        .unwrap_or_else(|_| panic!("no status in {answer:?}"))
}

/// A request for the page with these header lines.
fn get(served: &Served, path: &str, headers: &[String]) -> String {
    let headers: String = headers.iter().map(|h| format!("{h}\n")).collect();
    served.say(&format!(
        "GET {path} HTTP/1.1\n{headers}Connection: close\n\n"
    ))
}

#[test]
fn only_the_right_host_origin_site_and_token_are_answered() {
    let served = Served::start(&[]);
    let (host, port) = (served.host(), served.port());
    let page = format!("/{}/", served.token());
    let wrong = "0123456789abcdef0123456789abcdef";
    let ours = format!("Host: {host}");
    let cases: Vec<(&str, u16, String, Vec<String>)> = vec![
        ("as printed", 200, page.clone(), vec![ours.clone()]),
        (
            "our own page asking",
            200,
            format!("{page}api/start"),
            vec![
                ours.clone(),
                format!("Origin: http://{host}"),
                "Sec-Fetch-Site: same-origin".into(),
            ],
        ),
        (
            "opened by the player",
            200,
            page.clone(),
            vec![ours.clone(), "Sec-Fetch-Site: none".into()],
        ),
        (
            "foreign name",
            403,
            page.clone(),
            vec![format!("Host: rebound.example:{port}")],
        ),
        (
            "another port",
            403,
            page.clone(),
            vec!["Host: 127.0.0.1:1".into()],
        ),
        (
            "another name of this machine",
            403,
            page.clone(),
            vec![format!("Host: localhost:{port}")],
        ),
        (
            "two hosts",
            403,
            page.clone(),
            vec![ours.clone(), "Host: rebound.example".into()],
        ),
        (
            "foreign origin",
            403,
            page.clone(),
            vec![ours.clone(), "Origin: https://evil.example".into()],
        ),
        (
            "the same machine, another port",
            403,
            page.clone(),
            vec![ours.clone(), "Origin: http://127.0.0.1:1".into()],
        ),
        (
            "an origin that hides itself",
            403,
            page.clone(),
            vec![ours.clone(), "Origin: null".into()],
        ),
        (
            "another site",
            403,
            page.clone(),
            vec![ours.clone(), "Sec-Fetch-Site: cross-site".into()],
        ),
        (
            "another port, by the browser's word",
            403,
            page.clone(),
            vec![ours.clone(), "Sec-Fetch-Site: same-site".into()],
        ),
        ("no token", 403, "/".into(), vec![ours.clone()]),
        (
            "no token for a call",
            403,
            "/api/start".into(),
            vec![ours.clone()],
        ),
        ("wrong token", 403, format!("/{wrong}/"), vec![ours.clone()]),
        (
            "wrong token for a call",
            403,
            format!("/{wrong}/api/start"),
            vec![ours.clone()],
        ),
        (
            "a part of the token",
            403,
            format!("/{}/", &served.token()[..16]),
            vec![ours.clone()],
        ),
        (
            "token as a parameter",
            403,
            format!("/?token={}", served.token()),
            vec![ours.clone()],
        ),
        (
            "a way out of the folder",
            404,
            format!("{page}..%2f..%2fetc%2fpasswd"),
            vec![ours.clone()],
        ),
        (
            "a file by its path",
            400,
            format!("{page}api/sounds/..%2f1"),
            vec![ours.clone()],
        ),
    ];
    for (case, wanted, path, headers) in cases {
        let answer = get(&served, &path, &headers);
        assert_eq!(status(&answer), wanted, "{case}: {answer}");
    }
    // HTTP/1.0 needs no Host; without one nothing says that we are meant.
    let answer = served.say(&format!("GET {page} HTTP/1.0\n\n"));
    assert_eq!(status(&answer), 403, "no host: {answer}");
}

#[test]
fn a_websocket_of_another_page_is_refused() {
    let served = Served::start(&[]);
    let ask = |origin: &str, token: &str| {
        let request = format!(
            "GET /{token}/api/events HTTP/1.1\nHost: {}\nOrigin: {origin}\nConnection: Upgrade\n\
             Upgrade: websocket\nSec-WebSocket-Version: 13\n\
             Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\n\n",
            served.host()
        );
        // A masked close frame without content (RFC 6455, 5.5.1), so that an open one ends.
        status(&served.send(&request, &[0x88, 0x80, 0, 0, 0, 0]))
    };
    let ours = format!("http://{}", served.host());
    assert_eq!(ask(&ours, served.token()), 101);
    assert_eq!(ask("https://evil.example", served.token()), 403);
    assert_eq!(ask("null", served.token()), 403);
    assert_eq!(ask(&ours, "0123456789abcdef0123456789abcdef"), 403);
}

#[test]
fn every_answer_keeps_the_page_to_itself() {
    let served = Served::start(&[]);
    for path in ["/".into(), format!("/{}/", served.token())] {
        let answer = get(&served, &path, &[format!("Host: {}", served.host())]).to_lowercase();
        for wanted in [
            "content-security-policy: default-src 'none'; script-src 'self';",
            "frame-ancestors 'none'",
            "referrer-policy: no-referrer",
            "x-content-type-options: nosniff",
            "cross-origin-resource-policy: same-origin",
        ] {
            assert!(
                answer.contains(wanted),
                "{path}: {wanted} is not in {answer}"
            );
        }
        assert!(!answer.contains("unsafe-inline"), "{answer}");
        assert!(!answer.contains("access-control-allow"), "{answer}");
    }
}

#[test]
fn nobody_but_this_machine_is_listened_to() {
    let served = Served::start(&[]);
    // All of 127.0.0.0/8 is this machine (RFC 1122, 3.2.1.3), but the server is at one address.
    let other = std::net::TcpStream::connect(("127.0.0.2", served.port()));
    assert!(other.is_err(), "the server listens beyond 127.0.0.1");
}

#[test]
fn names_from_outside_are_shown_and_never_opened() {
    let mut served = Served::start(&[]);
    let (_, take) = made("faults");
    let take = std::fs::read(take).expect("the take");
    let upload = |name: &str, body: &[u8]| {
        let head = format!(
            "POST /{}/api/takes?name={name} HTTP/1.1\nHost: {}\nContent-Length: {}\n\
             Connection: close\n\n",
            served.token(),
            served.host(),
            body.len()
        );
        served.send(&head, body)
    };
    let answer = upload("..%2F..%2F..%2Fescaped.flac", &take);
    assert_eq!(status(&answer), 200, "{answer}");
    assert!(answer.contains("\"name\":\"escaped.flac\""), "{answer}");
    assert!(!served.folder.path().join("escaped.flac").exists());

    let broken = upload("%2Fetc%2Fpasswd", b"hello");
    assert!(broken.contains("{\"error\":\"Passwd: is"), "{broken}");
    assert!(
        !broken.contains("passagework-"),
        "our own path is told: {broken}"
    );

    let kept = |served: &Served| {
        let entries = std::fs::read_dir(served.folder.path()).expect("the folder");
        entries
            .filter_map(Result::ok)
            .filter(|e| e.file_name().to_string_lossy().starts_with("passagework-"))
            .count()
    };
    assert_eq!(kept(&served), 1, "what was dropped lies in one folder");
    served.end();
    assert_eq!(kept(&served), 0, "and is gone afterwards");
}

#[test]
fn what_is_too_large_is_refused_with_a_sentence() {
    let served = Served::start(&[]);
    let much = vec![b' '; (16 << 20) + 1];
    let head = format!(
        "POST /{}/api/lines?name=much.abc HTTP/1.1\nHost: {}\nContent-Length: {}\n\
         Connection: close\n\n",
        served.token(),
        served.host(),
        much.len()
    );
    let answer = served.send(&head, &much);
    assert_eq!(status(&answer), 413, "{answer}");
    assert!(answer.contains("A line may have 16 megabytes"), "{answer}");
}
