"""Writes what other readers read, for tests/line_abc.rs and tests/line_smf.rs.

    pip install music21==10.* mido==1.*
    python tests/reference/reference_lines.py

ABC: music21 reads testdata/abc/reference/*.abc. It takes files without a version
line for ABC 1.3 and lets accidentals hold for one note only; ours say %abc-2.1.
MIDI: mido writes testdata/smf/reference/*.mid and reads them again; a part is a
channel of a track, a note the ticks between its note-on and its note-off.
Notes are [MIDI number, onset, length] in quarters, tied ones joined, no grace notes.
"""

import collections
import json
import pathlib

import mido
from music21 import chord, converter, note, stream

TESTDATA = pathlib.Path(__file__).resolve().parents[2] / "testdata"


def music21_notes(part):
    notes = []
    for element in part.stripTies().flatten().notes:
        if element.duration.isGrace:
            continue
        if isinstance(element, chord.Chord):
            midi = max(p.midi for p in element.pitches)
        elif isinstance(element, note.Note):
            midi = element.pitch.midi
        else:
            continue
        onset = round(float(element.offset), 6)
        notes.append([midi, onset, round(float(element.quarterLength), 6)])
    return notes


def abc(path):
    read = converter.parse(path, format="abc", forceSource=True)
    expected = []
    for score in read.scores if isinstance(read, stream.Opus) else [read]:
        for number, part in enumerate(score.parts, start=1):
            expected.append(
                {"tune": int(score.metadata.number), "part": number, "notes": music21_notes(part)}
            )
    return expected


def write_midi(path):
    """Two tracks, three channels, running lengths, a key and a metre."""
    file = mido.MidiFile(type=1, ticks_per_beat=480)
    conductor = mido.MidiTrack()
    conductor.append(mido.MetaMessage("time_signature", numerator=6, denominator=8))
    conductor.append(mido.MetaMessage("key_signature", key="Eb"))
    conductor.append(mido.MetaMessage("set_tempo", tempo=400000))
    file.tracks.append(conductor)
    for channels in ([0], [1, 2]):
        track = mido.MidiTrack()
        track.append(mido.MetaMessage("track_name", name=f"Solo {channels[0]}"))
        wait = 0
        for step in range(40):
            channel = channels[step % len(channels)]
            midi = 58 + (step * 7 + channel * 5) % 29
            length = (160, 240, 120, 480, 90, 720)[step % 6]
            track.append(mido.Message("note_on", channel=channel, note=midi, velocity=64, time=wait))
            off = ("note_off", "note_on")[step % 2]
            track.append(mido.Message(off, channel=channel, note=midi, velocity=0, time=length))
            wait = (0, 0, 30, 0, 240)[step % 5]
        file.tracks.append(track)
    file.save(path)


def midi(path):
    file = mido.MidiFile(path)
    expected = []
    for track in file.tracks:
        tick = 0
        held = {}
        channels = collections.defaultdict(list)
        for message in track:
            tick += message.time
            if message.type not in ("note_on", "note_off"):
                continue
            key = (message.channel, message.note)
            if key in held:
                on = held.pop(key)
                length = (tick - on) / file.ticks_per_beat
                onset = on / file.ticks_per_beat
                channels[message.channel].append([message.note, round(onset, 6), round(length, 6)])
            if message.type == "note_on" and message.velocity > 0:
                held[key] = tick
        for channel in sorted(channels):
            expected.append({"part": len(expected) + 1, "notes": channels[channel]})
    return expected


def save(path, expected):
    entries = ",\n".join(json.dumps(entry) for entry in expected)
    path.with_suffix(".json").write_text(f"[\n{entries}\n]\n")


def main():
    for path in sorted((TESTDATA / "abc" / "reference").glob("*.abc")):
        save(path, abc(path))
    path = TESTDATA / "smf" / "reference" / "parts.mid"
    write_midi(path)
    save(path, midi(path))


if __name__ == "__main__":
    main()
