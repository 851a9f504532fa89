#!/usr/bin/env python3
"""Holds `passagework line` against a published reader, music21 (pip install music21==10.5.1).

    python3 examples/compare_readers.py PROGRAM FILE... > differences.txt

Every part of every MusicXML and ABC file is read by both, in page order and (MusicXML) played
out: pitch, onset and duration of each note, and the sounding pitch. One line a difference;
the count by class goes to standard error.
"""
import collections
import json
import subprocess
import sys

from music21 import chord, converter, harmony, note, stream

QUARTERS = 0.02  # Tuplets are rounded to the divisions of the file.


def rows(part):
    """(written midi, sounding midi, onset, duration) of each note; of a chord the top one."""
    written, sounding = part.stripTies(), part.toSoundingPitch().stripTies()
    found = []
    for here, there in zip(written.flatten().notes, sounding.flatten().notes):
        if not isinstance(here, (note.Note, chord.Chord)) or isinstance(here, harmony.Harmony):
            continue
        if here.duration.isGrace or not here.pitches:
            continue
        top, top_sounding = (max(p.midi for p in n.pitches) for n in (here, there))
        onset = float(here.getOffsetInHierarchy(written))
        found.append((top, top_sounding, onset, float(here.quarterLength)))
    return found


def voices(part):
    """The part's voices as parts of their own; of a part without, itself."""
    names = sorted({str(v.id) for m in part.getElementsByClass("Measure") for v in m.voices})
    return [part] if not names else list(part.voicesToParts().parts)


def reference(path):
    """For each tune its number and parts; for each part its readings: (page order, played out)."""
    read = converter.parse(path, forceSource=True)
    for score in read.scores if isinstance(read, stream.Opus) else [read]:
        parts = []
        for part in score.parts:
            staff_of_last = isinstance(part, stream.PartStaff) and str(part.id)[-1:] > "1" and "-Staff" in str(part.id)
            readings = []
            for voice in voices(part):
                try:
                    played = rows(voice.expandRepeats())
                except Exception:  # Repeats it cannot expand: page order only.
                    played = None
                readings.append((rows(voice), played))
            if staff_of_last and parts:
                parts[-1] += readings
            else:
                parts.append(readings)
        yield getattr(score.metadata, "number", None), parts


def ours(program, path, tune, part, *order):
    call = [program, "line", path, "--part", str(part), "--json", "-", *order]
    call += ["--tune", str(int(float(tune)))] if tune else []
    done = subprocess.run(call, capture_output=True, text=True)
    if done.returncode not in (0, 2):
        raise SystemExit(f"{path}: status {done.returncode}: {done.stderr[:300]}")
    notes = json.loads(done.stdout)["notes"] if done.returncode == 0 else []
    names = ("written_midi", "sounding_midi", "onset_quarters", "duration_quarters")
    return [tuple(n[name] for name in names) for n in notes if not n["grace"]]


def difference(theirs, mine):
    same = lambda a, b: a[:2] == b[:2] and all(abs(x - y) < QUARTERS for x, y in zip(a[2:], b[2:]))
    first = next((i for i, pair in enumerate(zip(theirs, mine)) if not same(*pair)), min(len(theirs), len(mine)))
    return None if first == len(theirs) == len(mine) else (first, theirs[first : first + 3], mine[first : first + 3])


def main(program, paths):
    count = collections.Counter()
    for path in paths:
        is_abc = path.endswith(".abc")
        try:
            tunes = list(reference(path))
        except Exception as error:
            count["files the reference refuses"] += 1
            print(f"{path}: the reference refuses: {error}")
            continue
        for tune, parts in tunes:
            for number, readings in enumerate(parts, 1):
                if not any(page for page, _ in readings):
                    continue
                count["parts"] += 1
                which = (program, path, tune if is_abc else None, number)
                mine = ours(*which, "--as-written")
                found = [(difference(page, mine), played) for page, played in readings]
                found.sort(key=lambda pair: pair[0] is not None)
                differs, played = found[0]
                order = "page order"
                if differs is None and played is not None and not is_abc:
                    differs, order = difference(played, ours(*which)), "played out"
                count["same" if differs is None else f"differ in {order}"] += 1
                if differs:
                    print(f"{path} tune {tune} part {number}, {order}: note {differs[0]}: {differs[1]} here {differs[2]}")
    for what, n in sorted(count.items()):
        print(f"{n:6} {what}", file=sys.stderr)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2:])
