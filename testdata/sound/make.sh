#!/bin/sh
# Makes the sound files of this folder with Debian's ffmpeg; see README.md.
set -eu
cd "$(dirname "$0")"
quiet="ffmpeg -hide_banner -loglevel error -y -bitexact"
sweep='0.5*clip(min(t-0.1,0.6-t)/0.01,0,1)*sin(2*PI*(200*(t-0.1)+3800*(t-0.1)^2))'
at() { # at RATE: the sweep as an ffmpeg source
    echo "-f lavfi -i aevalsrc=exprs=$(echo "$sweep" | sed 's/,/\\,/g'):s=$1:d=0.7"
}
film="-f lavfi -i color=c=gray:s=64x48:r=10:d=0.7"

$quiet $(at 44100) -c:a flac -sample_fmt s16 sweep.flac
$quiet $(at 44100) -c:a libmp3lame -b:a 96k sweep.mp3
$quiet $(at 44100) -c:a libmp3lame -b:a 96k -write_xing 0 sweep_untagged.mp3
# Short pages: a page of Ogg is read whole or not at all.
$quiet $(at 44100) -c:a libvorbis -q:a 5 -page_duration 40000 sweep.ogg
$quiet $(at 44100) -c:a aac -b:a 96k sweep.m4a
$quiet $(at 44100) -c:a aac -b:a 96k -movflags frag_keyframe+empty_moov sweep_fragmented.m4a
$quiet $(at 44100) -c:a aac -b:a 96k sweep.aac
$quiet $(at 44100) -c:a alac -sample_fmt s16p sweep_lossless.m4a
$quiet $(at 16000) -c:a pcm_s16be sweep.aiff
$quiet $(at 16000) -c:a pcm_alaw sweep_alaw.wav
$quiet $(at 16000) -c:a adpcm_ima_wav sweep_adpcm.wav
$quiet $(at 48000) -c:a libopus -b:a 48k sweep.opus
$quiet $(at 44100) $film -c:a aac -b:a 96k -c:v mpeg4 -b:v 20k -shortest film.mp4
$quiet $film -c:v mpeg4 -b:v 20k film_silent.mp4
$quiet $(at 48000) $film -c:a libopus -b:a 48k -c:v libvpx -b:v 20k film.webm

# A cover picture before the sound, as music players put it.
$quiet -f lavfi -i testsrc=s=120x120 -frames:v 1 -c:v mjpeg cover.jpg
$quiet -i sweep.mp3 -i cover.jpg -map 0 -map 1 -c copy -id3v2_version 3 sweep_cover.mp3
rm cover.jpg

# Clipped before it was coded: its crests would reach 3.8 times full scale.
$quiet $(at 44100) -af volume=7.6 -c:a pcm_s16le clipped.wav
$quiet -i clipped.wav -c:a libmp3lame -b:a 96k clipped.mp3
rm clipped.wav

# Long enough to be cut off: an M4A with its index in front, and an Ogg of several pages.
long="-f lavfi -i aevalsrc=exprs=0.3*sin(2*PI*440*t):s=22050:d=6"
$quiet $long -c:a aac -b:a 32k -movflags +faststart tone.m4a
$quiet $long -c:a libvorbis -q:a 2 -page_duration 500000 tone.ogg
