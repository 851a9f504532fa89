//! How soon the page is there, and how soon what the program says is on it: in headless Chromium,
//! while a take is listened to.

#[path = "../tests/page/support.rs"]
mod support;

use serde_json::json;
use support::{Served, browse, made};

/// Times the page is opened.
const OPENED: usize = 7;
/// Times the program is asked for an answer over the stream of events.
const ASKED: usize = 200;

fn main() {
    // One look at everything is enough where nothing is measured.
    let test = std::env::args().any(|argument| argument == "--test");
    let (opened, asked) = if test { (1, 5) } else { (OPENED, ASKED) };
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    let (line, take) = made("faults");
    let path = |p: &std::path::Path| p.to_str().expect("a plain path").to_string();
    let served = Served::start(&[&path(&line), "--take", &path(&take)]);
    runtime.block_on(browse(&served, move |tab| async move {
        let mut paints = Vec::new();
        for _ in 0..opened {
            tab.client.goto(&tab.address).await.expect("the page opens");
            tab.wait("performance.getEntriesByName('first-contentful-paint').length")
                .await;
            let paint = tab
                .run("return performance.getEntriesByName('first-contentful-paint')[0].startTime")
                .await;
            paints.push(paint.as_f64().expect("milliseconds"));
        }
        println!("first paint: {}", spread(&mut paints));
        tab.wait("!document.getElementById('picture').hidden || !stand.canEngrave")
            .await;
        tab.wait("!document.getElementById('listen').disabled")
            .await;

        // A question that is none is answered at once, on the way that every event goes: there
        // and back is more than an event takes from the display channel to the page.
        tab.run(
            "
            window.trips = []; window.drawn = []; window.n = 0;
            const heard = hear;
            hear = (event) => {
              if (event.event !== 'refused') { heard(event); return; }
              const asked = window.asked;
              trips.push(performance.now() - asked);
              requestAnimationFrame(() => { drawn.push(performance.now() - asked); });
            };",
        )
        .await;
        tab.click("#listen").await;
        tab.wait("socket?.readyState === WebSocket.OPEN && stand.busy === 'listen'")
            .await;
        for n in 0..asked {
            tab.run("window.asked = performance.now(); socket.send('{}')")
                .await;
            tab.wait(&format!("drawn.length > {n}")).await;
        }
        for (name, what) in [
            ("trips", "event there and back"),
            ("drawn", "the same, until the next picture"),
        ] {
            let times = tab
                .run_with("return window[arguments[0]]", &[json!(name)])
                .await;
            let mut times: Vec<f64> = serde_json::from_value(times).expect("milliseconds");
            println!(
                "{what}, while a take is listened to: {}",
                spread(&mut times)
            );
        }
        tab.run("if (stand.busy) send({ do: 'stop' })").await;
        tab.wait("!stand.busy").await;
    }));
}

fn spread(times_ms: &mut [f64]) -> String {
    times_ms.sort_by(f64::total_cmp);
    let at = |share: f64| times_ms[((times_ms.len() - 1) as f64 * share).round() as usize];
    format!(
        "median {:.1} ms, 99 % {:.1} ms, longest {:.1} ms of {}",
        at(0.5),
        at(0.99),
        at(1.0),
        times_ms.len()
    )
}
