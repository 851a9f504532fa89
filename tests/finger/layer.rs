//! The fingering layer on the engraved étude. Where ink is comes from another reader of the
//! picture: usvg, which lays out every outline and every word.

use std::sync::Arc;

use crate::common::Folder;
use roxmltree::Document;
use svg2pdf::usvg::{
    self, Node, Rect,
    tiny_skia_path::{PathSegment, Point},
};

const DEMO: &str = include_str!("../../src/cli/demo_etude.abc");
/// Invented: ledger lines, steep slurs, little fingers in chains, chromatic forks, repeats.
const OTHERS: [&str; 3] = [
    "X:1\nT:wide\nM:4/4\nL:1/16\nQ:1/4=72\nK:C#m transpose=-2\n(B,^A,B,C DEFG ABcd efga)|(c'^bagfedc BAGFEDCB,)|(^EF^EF ^e^f^e^f) (D^d'^c'b agfe)|.B.c.B.c .^d.c.B.c E,4 b'4|]\n",
    "X:1\nT:again\nM:4/4\nL:1/8\nQ:1/4=96\nK:Ab transpose=-2\n|:(3(EFG (3ABc (3def) (e/d/c/B/)|[1 A2 {B}c2 !trill!e4:|[2 (=Bc^c^d) (f4|=e4) _e2 z2|]\n",
    "X:1\nT:low and high\nM:3/4\nL:1/16\nQ:1/4=60\nK:E transpose=-2\n(E,F,G,F, E,F,G,F, G,^E,F,G,)|(e'f'e'd' c'bag fedc)|!f!(B2c2 !accent!d2c2) !fermata!B4|]\n",
];

struct Picture {
    letters: Vec<(String, Rect)>,
    /// Outlines of everything else, with their boxes.
    ink: Vec<(Rect, Vec<Vec<Point>>)>,
}

fn tree(svg: &str) -> usvg::Tree {
    let mut options = usvg::Options::default();
    let font = include_bytes!("../../src/show/marked/fonts/LiberationSans-Regular.ttf");
    Arc::make_mut(&mut options.fontdb).load_font_data(font.to_vec());
    usvg::Tree::from_str(svg, &options).expect("a picture")
}

/// The picture without the fingerings' own groups.
fn without_letters(svg: &str) -> String {
    let mut rest = svg;
    let mut out = String::new();
    while let Some(at) = rest.find("<g class=\"fingering\"") {
        out.push_str(&rest[..at]);
        let end = rest[at..].find("</g>").expect("the group's end") + at;
        rest = &rest[end + "</g>".len()..];
    }
    out + rest
}

/// Words, box and outlines of everything in a group, in coordinates of the whole picture. These
/// are added up here: what usvg 0.45 gives as absolute counts the place of a `use` twice.
fn walk(group: &usvg::Group, outer: usvg::Transform, found: &mut Vec<Drawn>) {
    let here = outer.pre_concat(group.transform());
    for node in group.children() {
        match node {
            Node::Group(inner) => walk(inner, here, found),
            Node::Path(path) => {
                let rect = path.stroke_bounding_box().transform(here);
                let rect = rect.expect("paths have a place");
                found.push((None, rect, flattened(path, here)));
            }
            Node::Text(text) => {
                let words: String = text.chunks().iter().map(|c| c.text()).collect();
                let mut glyphs = Vec::new();
                walk(text.flattened(), here, &mut glyphs);
                let outlines: Vec<Vec<Point>> = glyphs.into_iter().flat_map(|g| g.2).collect();
                found.push((Some(words), bounds(&outlines), outlines));
            }
            Node::Image(_) => panic!("the picture has no images"),
        }
    }
}

type Drawn = (Option<String>, Rect, Vec<Vec<Point>>);

fn bounds(outlines: &[Vec<Point>]) -> Rect {
    let mut all = [f32::MAX, f32::MAX, f32::MIN, f32::MIN];
    for p in outlines.iter().flatten() {
        all = [
            all[0].min(p.x),
            all[1].min(p.y),
            all[2].max(p.x),
            all[3].max(p.y),
        ];
    }
    Rect::from_ltrb(all[0], all[1], all[2], all[3]).expect("words have outlines")
}

/// Outlines of a path as closely set points.
fn flattened(path: &usvg::Path, transform: usvg::Transform) -> Vec<Vec<Point>> {
    const STEPS: usize = 64;
    let mut outlines: Vec<Vec<Point>> = Vec::new();
    let mut last = Point::zero();
    for segment in path.data().segments() {
        let curve = |f: &dyn Fn(f32) -> Point| -> Vec<Point> {
            (1..=STEPS).map(|k| f(k as f32 / STEPS as f32)).collect()
        };
        let mix = |a: Point, b: Point, t: f32| {
            Point::from_xy(a.x + (b.x - a.x) * t, a.y + (b.y - a.y) * t)
        };
        let points = match segment {
            PathSegment::MoveTo(p) => {
                outlines.push(Vec::new());
                vec![p]
            }
            PathSegment::LineTo(p) => curve(&|t| mix(last, p, t)),
            PathSegment::QuadTo(a, p) => curve(&|t| mix(mix(last, a, t), mix(a, p, t), t)),
            PathSegment::CubicTo(a, b, p) => curve(&|t| {
                let (x, y, z) = (mix(last, a, t), mix(a, b, t), mix(b, p, t));
                mix(mix(x, y, t), mix(y, z, t), t)
            }),
            PathSegment::Close => {
                let first = outlines.last().and_then(|o| o.first().copied());
                continue_to(&mut outlines, first);
                continue;
            }
        };
        last = points.last().copied().unwrap_or(last);
        if let Some(outline) = outlines.last_mut() {
            outline.extend(points);
        }
    }
    for point in outlines.iter_mut().flatten() {
        transform.map_point(point);
    }
    outlines
}

fn continue_to(outlines: &mut [Vec<Point>], first: Option<Point>) {
    if let (Some(outline), Some(first)) = (outlines.last_mut(), first) {
        outline.push(first);
    }
}

/// Even-odd rule.
fn contains(outlines: &[Vec<Point>], x: f32, y: f32) -> bool {
    let mut inside = false;
    for pair in outlines.iter().flat_map(|o| o.windows(2)) {
        let (a, b) = (pair[0], pair[1]);
        if (a.y > y) != (b.y > y) && x < a.x + (y - a.y) / (b.y - a.y) * (b.x - a.x) {
            inside = !inside;
        }
    }
    inside
}

fn picture(svg: &str) -> Picture {
    let (mut all, mut rest) = (Vec::new(), Vec::new());
    walk(tree(svg).root(), usvg::Transform::identity(), &mut all);
    walk(
        tree(&without_letters(svg)).root(),
        usvg::Transform::identity(),
        &mut rest,
    );
    let in_rest = |words: &str, rect: &Rect| {
        rest.iter()
            .any(|(w, r, _)| w.as_deref() == Some(words) && r == rect)
    };
    let letters: Vec<(String, Rect)> = all
        .into_iter()
        .filter_map(|(words, rect, _)| Some((words?, rect)))
        .filter(|(words, rect)| !in_rest(words, rect))
        .collect();
    let n_groups = svg.matches("<g class=\"fingering\"").count();
    assert_eq!(letters.len(), n_groups, "every letter is laid out");
    Picture {
        letters,
        ink: rest.into_iter().map(|(_, r, o)| (r, o)).collect(),
    }
}

fn assert_clear(case: &str, svg: &str) -> usize {
    let picture = picture(svg);
    assert!(picture.ink.len() > 50, "{case}: the étude is drawn");
    let meet = |a: &Rect, b: &Rect| {
        a.left() < b.right() && b.left() < a.right() && a.top() < b.bottom() && b.top() < a.bottom()
    };
    for (i, (mark, letter)) in picture.letters.iter().enumerate() {
        for (other, rect) in &picture.letters[i + 1..] {
            assert!(!meet(letter, rect), "{case}: {mark} on {other}");
        }
        let (x, y) = (
            (letter.left() + letter.right()) / 2.0,
            (letter.top() + letter.bottom()) / 2.0,
        );
        for (rect, outlines) in picture.ink.iter().filter(|(rect, _)| meet(letter, rect)) {
            let touches = outlines.iter().flatten().any(|p| {
                letter.left() < p.x
                    && p.x < letter.right()
                    && letter.top() < p.y
                    && p.y < letter.bottom()
            });
            assert!(
                !touches && !contains(outlines, x, y),
                "{case}: {mark} at {letter:?} on ink at {rect:?}"
            );
        }
    }
    picture.letters.len()
}

/// Every letter stands over its own note and, on the page, above it.
fn assert_over_its_note(case: &str, svg: &str) {
    /// Of the engraver's picture; a letter is centred on its notehead.
    const UNITS: f64 = 8.0;
    let document = Document::parse(svg).expect("a picture");
    let numbers = |text: &str| -> Vec<f64> {
        text.split(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-')))
            .filter_map(|n| n.parse().ok())
            .collect()
    };
    for group in document
        .descendants()
        .filter(|n| n.attribute("class") == Some("fingering"))
    {
        let index = group.attribute("data-note").expect("its note");
        let note = document
            .descendants()
            .find(|n| n.attribute("data-index") == Some(index))
            .unwrap_or_else(|| panic!("{case}: note {index}"));
        let head = note
            .descendants()
            .find(|n| n.has_tag_name("use"))
            .and_then(|n| n.attribute("transform"))
            .map(numbers)
            .expect("a notehead");
        let text = group.descendants().find(|n| n.has_tag_name("text"));
        let at = |name: &str| -> f64 {
            text.and_then(|t| t.attribute(name)?.parse().ok())
                .expect("a place")
        };
        // A black notehead is 1.18 staff spaces of 180 units wide (SMuFL 1.4, Bravura's table).
        let middle = head[0] + 0.59 * 180.0;
        assert!(
            (at("x") - middle).abs() < UNITS || head[2] < 0.7,
            "{case}: note {index}: {} is not over {middle}",
            at("x")
        );
        assert!(at("y") < head[1], "{case}: note {index}");
    }
}

#[test]
fn fingerings_never_overlap_notes_or_other_ink() {
    for (i, etude) in std::iter::once(DEMO).chain(OTHERS).enumerate() {
        let folder = Folder::new();
        folder.write("etude.abc", etude);
        let arguments = ["fingers", "etude.abc", "--instrument", "clarinet-bb"];
        let said = folder.run(&[&arguments[..], &["--marked", "part.svg"]].concat());
        assert_eq!(said.status, Some(0), "{}", said.err);
        let svg = std::fs::read_to_string(folder.path("part.svg")).expect("a picture");
        let case = format!("étude {i}");
        assert!(assert_clear(&case, &svg) > 3, "{case} has letters");
        assert_over_its_note(&case, &svg);
    }
}

/// The check itself can fail: a letter lowered onto its note is noticed.
#[test]
#[should_panic(expected = "on ink")]
fn a_letter_on_a_note_is_noticed() {
    let folder = Folder::new();
    folder.write("etude.abc", DEMO);
    folder.run(&["fingers", "etude.abc", "--marked", "part.svg"]);
    let svg = std::fs::read_to_string(folder.path("part.svg")).expect("a picture");
    // Of the system's units: from above the slur down to the noteheads, a staff space apart.
    let letter = svg.find("<g class=\"fingering\"").expect("a letter");
    for spaces in 1..6 {
        let lowered = format!(
            "<g class=\"fingering\" transform=\"translate(0,{})\"",
            180 * spaces
        );
        let svg = svg[..letter].to_string()
            + &svg[letter..].replacen("<g class=\"fingering\"", &lowered, 1);
        assert_clear("lowered", &svg);
    }
}

/// With a take's rings, waves and words about them.
#[test]
fn fingerings_stay_clear_of_the_marks_of_a_take() {
    let folder = Folder::new();
    folder.write("etude.abc", DEMO);
    folder.write(
        "played.abc",
        DEMO.replace("(A^^FGABc)", "(A^FGABc)")
            .replace("(gfedcB)", "(gfeecB)"),
    );
    let played = folder.run(&["play", "played.abc", "--out", "take.wav"]);
    assert_eq!(played.status, Some(0), "{}", played.err);
    let checked = folder.run(&[
        "check",
        "etude.abc",
        "take.wav",
        "--marked",
        "part.svg",
        "--fingerings",
    ]);
    assert_eq!(checked.status, Some(1), "{}", checked.err);
    let svg = std::fs::read_to_string(folder.path("part.svg")).expect("a picture");
    assert!(svg.contains("data-kind=\"wrong\""), "{}", checked.out);
    assert!(assert_clear("demo with marks", &svg) > 3);
}

#[test]
fn the_part_with_fingerings_is_also_paper_and_a_page() {
    let folder = Folder::new();
    folder.write("etude.abc", DEMO);
    for (name, begins) in [("part.pdf", "%PDF-"), ("part.html", "<!DOCTYPE html>")] {
        let said = folder.run(&["fingers", "etude.abc", "--marked", name]);
        assert_eq!(said.status, Some(0), "{}", said.err);
        let bytes = std::fs::read(folder.path(name)).expect("a file");
        assert!(bytes.starts_with(begins.as_bytes()), "{name}");
    }
    let page = std::fs::read_to_string(folder.path("part.html")).expect("a page");
    assert!(page.contains("D#5 next is right only") && page.contains("Settle before playing"));
    let said = folder.run(&["fingers", "etude.abc", "--marked", "part.txt"]);
    assert_eq!(said.status, Some(2));
    assert!(said.err.contains(".svg"), "{}", said.err);
}
