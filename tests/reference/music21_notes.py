"""What music21 reads in MusicXML files: the notes our reader is held against.

    python music21_notes.py OUT_DIR FILE...      (pip install music21)

Writes OUT_DIR/NAME.json: for each part its notes as rows
[onset_quarters, duration_quarters, written, written_midi, sounding_midi, grace],
in page order (`written`) and with repeats played out (`played`, null where music21 cannot).
One voice a part (the one with most notes), the top note of chords, ties merged.
"""

import copy
import json
import pathlib
import signal
import sys

from music21 import chord, converter, environment, harmony, note, stream

environment.UserSettings()
environment.set("warnings", 0)


def playable(element):
    if isinstance(element, (harmony.Harmony, note.Unpitched)):
        return None
    if isinstance(element, chord.Chord):
        pitched = [n for n in element.notes if isinstance(n, note.Note)]
        top = max(pitched, key=lambda n: n.pitch.ps, default=None)
        if top is None:
            return None
        top = copy.deepcopy(top)
        top.duration = copy.deepcopy(element.duration)
        if top.tie is None and element.tie is not None and len(pitched) == 0:
            top.tie = element.tie
        return top
    if isinstance(element, note.Note):
        return element
    return None


def voices_of(measure):
    if measure.voices:
        return {str(v.id): v for v in measure.voices}
    return {None: measure}


def chosen_voice(part):
    counts = {}
    for m in part.getElementsByClass(stream.Measure):
        for name, v in voices_of(m).items():
            if name is not None:
                n = sum(1 for e in v.notes if playable(e) is not None)
                counts[name] = counts.get(name, 0) + n
    return max(counts, key=counts.get) if counts else None


def rows(part, voice, sounding):
    """Notes of the voice on one time axis, ties merged by music21."""
    line, pairs = stream.Part(), []
    shifts = sounding_shifts(sounding, voice) if sounding is not None else None
    i = 0
    for m in part.getElementsByClass(stream.Measure):
        found = voices_of(m)
        v = found.get(voice, found.get(None))
        if v is None:
            continue
        for e in v.notes:
            n = playable(e)
            if n is None:
                continue
            at = float(m.offset + (0 if v is m else v.offset) + e.offset)
            n = copy.deepcopy(n)
            n.editorial.sounding = shifts[i] if shifts and i < len(shifts) else None
            i += 1
            if n.duration.isGrace:
                pairs.append((at, len(pairs), n))
            else:
                pairs.append((at, len(pairs), n))
    for at, _, n in pairs:
        line.insert(at, n)
    merged = line.stripTies() if any(n.tie for _, _, n in pairs) else line
    out = []
    for n in merged.notes:
        grace = bool(n.duration.isGrace)
        p = n.pitch
        name = p.step + ("#" * int(p.alter) if p.alter > 0 else "b" * int(-p.alter)) + str(p.octave)
        out.append([float(n.offset), 0.0 if grace else float(n.duration.quarterLength), name, p.midi, n.editorial.sounding, grace])
    return out


def sounding_shifts(part, voice):
    out = []
    for m in part.getElementsByClass(stream.Measure):
        found = voices_of(m)
        v = found.get(voice, found.get(None))
        if v is None:
            continue
        out += [n.pitch.midi for n in map(playable, v.notes) if n is not None]
    return out


def read(path):
    score = converter.parse(path, forceSource=True)
    if not isinstance(score, stream.Score):
        return {"error": f"not a score: {type(score)}"}
    try:
        sounding = score.toSoundingPitch()
    except Exception as error:  # music21 raises many kinds
        sounding = None
    parts = []
    for k, part in enumerate(score.parts):
        voice = chosen_voice(part)
        sp = sounding.parts[k] if sounding is not None else None
        got = {"name": part.partName, "id": str(part.id), "voice": voice, "written": rows(part, voice, sp)}
        try:
            e = part.expandRepeats()
            se = sp.expandRepeats() if sp is not None else None
            got["bars"] = [m.number for m in e.getElementsByClass(stream.Measure)]
            got["played"] = rows(e, voice, se)
        except Exception as error:
            got["played"] = None
            got["why"] = str(error)
        parts.append(got)
    return {"parts": parts}


def main():
    out = pathlib.Path(sys.argv[1])
    out.mkdir(exist_ok=True, parents=True)

    def late(*_):
        raise TimeoutError("too slow")

    signal.signal(signal.SIGALRM, late)
    for path in sys.argv[2:]:
        target = out / "-".join([*pathlib.Path(path).parts[-2:], "json"])
        if target.exists():
            continue
        signal.alarm(240)
        try:
            result = read(path)
        except Exception as error:
            result = {"error": repr(error)}
        signal.alarm(0)
        target.write_text(json.dumps({"path": path, **result}))


main()
