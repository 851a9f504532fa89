// Draws what the program says and computes nothing: lines, takes and reports come as JSON from
// the server beside this file, events by its websocket.
'use strict';

const $ = (id) => document.getElementById(id);

/** What is on the stand; replaced as a whole when it changes, never half. */
const stand = { line: null, take: null, report: null };

/** What can be read as a line, by a file's name; everything else is taken for a recording. */
const LINE_NAME = /\.(musicxml|xml|mxl|midi?|abc)$/i;

/** Beats by their quarters, for a line's own tempo mark. */
const BEATS = { 0.5: 'e', 0.75: 'e.', 1: 'q', 1.5: 'q.', 2: 'h', 3: 'h.' };

/** Heard before and after the notes of a finding, seconds of the take. */
const AROUND_S = 0.6;
/** Heard before the note that the player starts at, so that its beginning is whole. */
const BEFORE_S = 0.15;

/** The notes that marks and times are told of: a kept take may be of an older version. */
const notesOnStand = () => (stand.report?.line ?? stand.line.line).notes;

// ---- asking ----------------------------------------------------------------------------------

class Said extends Error {}

async function ask(path, options) {
  let answer;
  try {
    answer = await fetch(path, options);
  } catch {
    throw new Said('The program does not answer any more. Start it again and open the address it prints.');
  }
  let body = null;
  try {
    body = await answer.json();
  } catch {
    throw new Said(`The program answered in a way this page does not understand (${answer.status}).`);
  }
  if (!answer.ok || body.error) throw new Said(body.error ?? `The program refused this (${answer.status}).`);
  return body;
}

const post = (path, what) => ask(path, {
  method: 'POST',
  headers: { 'Content-Type': 'application/json' },
  body: JSON.stringify(what),
});

/** Runs `what`; a failure becomes a sentence on the page, and everything else stays as it was. */
function attempt(what) {
  $('trouble').hidden = true;
  return quietly(what);
}

/** The same for what nobody asked for: a sentence that stands there goes on standing. */
async function quietly(what) {
  try {
    await what();
  } catch (error) {
    trouble(error.message);
    if (!(error instanceof Said)) throw error;
  }
}

function trouble(sentence) {
  busy(null);
  $('trouble').firstElementChild.textContent = sentence;
  $('trouble').hidden = false;
}

/** Says what goes on; `share` is how far it is, 0 to 1. */
function busy(what, share) {
  if (what !== undefined) $('status').textContent = what ?? '';
  $('progress').hidden = share === undefined;
  if (share !== undefined) $('progress').value = share;
}

// ---- small things of the page ----------------------------------------------------------------

function make(name, attributes = {}, ...inside) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value !== null && value !== undefined) element.setAttribute(key, value);
  }
  element.append(...inside);
  return element;
}

const number = (value, decimals = 0) => value.toFixed(decimals).replace('-', '\u2212');

const count = (n, noun) => `${n} ${noun}${n === 1 ? '' : 's'}`;

/** Consecutive notes of one bar, in playing order. */
function barsOf(notes) {
  const bars = [];
  notes.forEach((note, index) => {
    const last = bars.at(-1);
    if (last && last.bar === note.bar && last.pass === note.pass) last.last = index;
    else bars.push({ bar: note.bar, pass: note.pass, first: index, last: index });
  });
  return bars;
}

const barName = (bar) => (bar.pass > 1 ? `${bar.bar} (time ${bar.pass})` : bar.bar);

const firstOf = (finding) => finding.index ?? finding.first_index;
const lastOf = (finding) => finding.index ?? finding.last_index;

// ---- line and take ---------------------------------------------------------------------------

function choice() {
  return {
    part: $('part').value || null,
    voice: stand.line?.choice?.voice ?? null,
    tune: stand.line?.choice?.tune ?? null,
    instrument: $('instrument').value || null,
  };
}

const click = () => ($('bpm').value ? `${$('beat').value}=${$('bpm').value}` : null);

async function takeLine(file) {
  busy(`Reading ${file.name}.`);
  const answer = await ask(`api/lines?name=${encodeURIComponent(file.name)}`, { method: 'POST', body: file });
  $('instrument').value = '';
  $('part').value = '';
  showLine(answer);
  // Where the file names no instrument, the player's last one is the best guess.
  const last = stand.remembered?.instrument;
  if (answer.line.instrument === 'unknown' && last) {
    $('instrument').value = last;
    await readAgain();
  }
  checkAgain();
}

/** What was chosen is held against the line that is on the stand now. */
function checkAgain() {
  if (stand.class) checkClass();
  else if (stand.take) check();
}

/** The same file, with another part or instrument. */
async function readAgain() {
  const query = new URLSearchParams(Object.entries(choice()).filter(([, value]) => value !== null));
  const number = stand.line.number;
  showLine(await ask(`api/lines/${number}?${query}`));
}

function showLine(answer) {
  const kept = stand.line?.number === answer.number ? stand.line.choice : null;
  stand.line = { ...answer, choice: answer.choice ?? kept };
  stand.report = null;
  stand.lineSound = null;
  const line = answer.line;
  chosen($('line-name'), answer.name);
  $('title').textContent = line.title || answer.name;
  const instrument = stand.instruments.find((i) => i.name === line.instrument);
  $('subtitle').textContent = [
    instrument?.label ?? 'instrument not said, so it sounds as written',
    line.parts.length > 1 ? line.part : null,
    count(barsOf(line.notes).length, 'bar'),
    count(line.notes.length, 'note'),
  ].filter(Boolean).join(' \u00b7 ');
  $('instrument').options[0].textContent =
    instrument && !$('instrument').value ? `${instrument.label}, as the file says` : 'what the file says';
  $('part-label').hidden = line.parts.length < 2;
  const part = $('part').value;
  $('part').replaceChildren(...line.parts.map((name, i) =>
    new Option(name || `part ${i + 1}`, String(i + 1), false, part ? part === String(i + 1) : name === line.part)));
  if (line.tempo && !$('bpm').value) {
    $('beat').value = BEATS[line.tempo.beat_quarters] ?? 'q';
    $('bpm').placeholder = number(line.tempo.bpm);
  }
  const bars = barsOf(line.notes);
  $('from-bar').replaceChildren(...bars.map((bar) => new Option(barName(bar), bar.first)));
  $('problems').replaceChildren(...line.problems.map((p) => make('li', {}, `${p.place}: ${p.text}`)));
  $('margin').hidden = true;
  $('plots').hidden = true;
  $('class').hidden = true;
  $('sheet').classList.remove('marked');
  showInWords(line.notes, []);
  drawPart(`api/lines/${answer.number}/part`, choice());
  $('sound').hidden = false;
  halt();
  ready();
  busy(`${answer.name} is on the stand.`);
  showHistory();
}

async function takeTake(file) {
  busy(`Reading ${file.name}.`);
  const answer = await ask(`api/takes?name=${encodeURIComponent(file.name)}`, { method: 'POST', body: file });
  stand.take = answer;
  stand.class = null;
  chosen($('take-name'), `${answer.name}, ${clock(answer.duration_s)}`);
  ready();
  if (stand.line) check();
  else busy(`${answer.name} is ready: now choose its line.`);
}

/** Several takes are a class: each is taken in, then all are checked. */
async function takeClass(files) {
  const takes = [];
  const refused = [];
  for (const file of files) {
    busy(`Reading ${file.name}.`, (takes.length + refused.length) / files.length);
    try {
      takes.push(await ask(`api/takes?name=${encodeURIComponent(file.name)}`, { method: 'POST', body: file }));
    } catch (error) {
      // One bad file is told of, and the rest go on.
      if (!(error instanceof Said)) throw error;
      refused.push(error.message);
    }
  }
  if (takes.length === 0) throw new Said(refused[0]);
  stand.class = takes;
  stand.refused = refused;
  chosen($('take-name'), count(takes.length, 'take'));
  ready();
  if (stand.line) checkClass();
  else busy(`${count(takes.length, 'take')} are ready: now choose their line.`);
}

function chosen(element, name) {
  element.textContent = name;
  element.title = name;
  element.classList.add('chosen');
}

function ready() {
  $('check').disabled = !(stand.line && (stand.take || stand.class)) || Boolean(stand.busy);
  $('listen').disabled = !stand.line || Boolean(stand.busy);
}

// ---- the stream of events --------------------------------------------------------------------

let socket = null;

/** Sends one request by the stream; opens it where it is not open. */
async function send(request) {
  if (socket?.readyState !== WebSocket.OPEN) {
    const address = new URL('api/events', location.href);
    address.protocol = 'ws:';
    socket = new WebSocket(address);
    await new Promise((opened, failed) => {
      socket.onopen = opened;
      socket.onerror = () => failed(new Said('The program does not answer any more. Start it again and open the address it prints.'));
    });
    socket.onmessage = (message) => hear(JSON.parse(message.data));
    socket.onclose = () => {
      if (!stand.busy) return;
      idle();
      trouble('The program went away before it was done. Start it again and open the address it prints.');
    };
  }
  socket.send(JSON.stringify(request));
}

/** One event of the program. */
function hear(event) {
  const what = EVENTS[event.event];
  if (what) what(event);
}

const EVENTS = {
  count_in: (event) => { $('beat-now').textContent = `${event.beat}`; },
  click: () => {},
  position: (event) => { $('beat-now').textContent = `bar ${stand.line.line.notes[event.index].bar}`; here(event.index); },
  lost: () => { $('beat-now').textContent = '\u2026'; here(null); },
  found: (event) => here(event.index),
  level: (event) => { $('level').value = event.dbfs; },
  phrase: (event) => addPhrase([...event.findings, ...(event.warnings ?? []).map((text) => ({ text }))]),
  pencilled: (event) => drawPart(`api/reports/${event.report}/part`, { at: performance.now() }),
  gap: (event) => addPhrase([{ text: `Sound was lost at ${event.at_s.toFixed(1)} s: close other programs.` }]),
  heard: () => {},
  done: (event) => {
    document.body.classList.remove('playing');
    $('live').hidden = true;
    $('stop').hidden = true;
    here(null);
    busy(event.reason ? `${event.reason} Making the report of what was heard.` : 'Making the report.', 0);
  },
  hearing: (event) => busy(undefined, event.share),
  report: (event) => { idle(); showReport(event); showHistory(); },
  class: (event) => { idle(); showClass(event); },
  refused: (event) => { idle(); putBack(); trouble(event.text); },
};

/** A listening that came to nothing: what was on the stand before is there again. */
function putBack() {
  const before = stand.before;
  stand.before = null;
  if (before) showReport(before);
  else if (!stand.report) {
    $('margin').hidden = true;
    $('sheet').classList.remove('marked');
  }
}

function check() {
  stand.busy = 'check';
  ready();
  busy(`Hearing ${stand.take.name}.`, 0);
  return attempt(() => send({
    do: 'check',
    line: stand.line.number,
    choice: choice(),
    take: stand.take.number,
    keep: $('keep').checked,
    bars: $('bars').value || null,
    click: $('to-click').checked ? click() : null,
  }).catch((error) => { idle(); throw error; }));
}

function checkClass() {
  stand.busy = 'class';
  ready();
  busy(`Hearing ${count(stand.class.length, 'take')}.`, 0);
  return attempt(() => send({
    do: 'class',
    line: stand.line.number,
    choice: choice(),
    takes: stand.class.map((take) => take.number),
    bars: $('bars').value || null,
    click: $('to-click').checked ? click() : null,
  }).catch((error) => { idle(); throw error; }));
}

/** The program listens by this machine's microphone; the page only shows what it says. */
function listen() {
  stand.busy = 'listen';
  stand.class = null;
  ready();
  halt();
  if (stand.report) {
    stand.before = stand.report;
    stand.report = null;
    drawPart(`api/lines/${stand.line.number}/part`, choice());
    showInWords(stand.line.line.notes, []);
  }
  $('plots').hidden = true;
  $('kept').hidden = true;
  $('warnings').replaceChildren();
  $('findings').replaceChildren();
  $('figures').replaceChildren();
  $('counts').textContent = 'So far:';
  $('away').hidden = true;
  $('margin').hidden = false;
  $('sheet').classList.add('marked');
  $('check').hidden = true;
  $('listen').hidden = true;
  $('stop').hidden = false;
  $('beat-now').textContent = click() ? '' : 'Play when you like';
  $('live').hidden = false;
  document.body.classList.add('playing');
  $('stop').focus();
  return attempt(() => send({
    do: 'listen',
    line: stand.line.number,
    choice: choice(),
    bars: $('bars').value || null,
    click: click(),
    count_in_bars: Number($('count-in').value),
  }).catch((error) => { idle(); throw error; }));
}

/** What a phrase showed, now that it is over. */
function addPhrase(findings) {
  $('findings').append(...findings.map((finding) => make('li', {}, finding.text.replaceAll('+-', '\u00b1'))));
}

function idle() {
  stand.busy = null;
  document.body.classList.remove('playing');
  $('stop').hidden = true;
  $('check').hidden = false;
  $('listen').hidden = false;
  $('live').hidden = true;
  busy();
  ready();
}

// ---- the report ------------------------------------------------------------------------------

function showReport(event) {
  stand.before = null;
  stand.report = event;
  stand.take = event.take;
  stand.lineSound = null;
  chosen($('take-name'), `${event.take.name}, ${clock(event.take.duration_s)}`);
  ready();
  const check = event.check;
  $('sheet').classList.add('marked');
  $('margin').hidden = false;
  $('away').hidden = false;
  $('counts').textContent = counts(check.summary);
  $('findings').replaceChildren(...check.findings.map(findingItem));
  if (check.findings.length === 0) {
    const untold = check.take.warnings.some((text) => /^(no note of the line|most of what sounded)/.test(text));
    $('findings').append(make('li', {}, untold ? 'Nothing could be marked.' : 'Nothing to mark.'));
  }
  $('figures').replaceChildren(...figures(check).map((text) => make('p', {}, text)));
  $('warnings').replaceChildren(...[...event.remarks, ...check.take.warnings].map((text) => make('li', {}, text)));
  $('kept').hidden = !event.kept;
  $('kept').textContent = event.kept ?? '';
  $('save-html').hidden = !stand.canEngrave;
  $('save-html').href = `api/reports/${event.report}/marked.html`;
  $('save-json').href = `api/reports/${event.report}/check.json`;
  const bars = barsOf(notesOnStand());
  $('from-bar').replaceChildren(...bars.map((bar) => new Option(barName(bar), bar.first)));
  showInWords(notesOnStand(), check.findings);
  drawPart(`api/reports/${event.report}/part`, {});
  drawPlots(event.report);
  $('play-take').hidden = false;
  halt();
  const n = check.findings.length;
  busy(n === 0 ? 'Checked: nothing to mark.' : `Checked: ${count(n, 'finding')} in the margin.`);
}

function counts(summary) {
  const words = [
    `${summary.right} right`, `${summary.wrong} wrong`, `${summary.missed} missed`,
    `${summary.added} added`, `${summary.unsure} could not tell`,
  ];
  if (summary.not_reached) words.push(`${summary.not_reached} not reached`);
  if (summary.restarts) words.push(count(summary.restarts, 'restart'));
  return `${words.join(', ')}.`;
}

/** Tempo and tuning in a sentence each, with their uncertainty as two standard errors. */
function figures(check) {
  const sentences = [];
  const { start_bpm: start, end_bpm: end, start_bpm_se: startSe, end_bpm_se: endSe } = check.tempo;
  const beat = { 0.5: 'eighths', 1: 'quarters', 1.5: 'dotted quarters', 2: 'halves' }[check.tempo.beat_quarters] ?? 'beats';
  const about = (value, se, decimals) => `${number(value, decimals)} (\u00b1${number(Math.max(2 * (se ?? 0), 10 ** -decimals), decimals)})`;
  if (start !== null && end !== null) {
    sentences.push(`Tempo in ${beat} a minute: ${about(start, startSe, 0)} at the start, ${about(end, endSe, 0)} at the end.`);
  }
  if (check.tuning.a4_hz_se > 0) {
    const spread = check.tuning.cents_sd === null ? '' : `; the notes spread by ${number(check.tuning.cents_sd, 1)} cents about it`;
    sentences.push(`The take is tuned to A = ${about(check.tuning.a4_hz, check.tuning.a4_hz_se, 1)}${spread}.`);
  }
  return sentences;
}

function findingItem(finding, i) {
  const text = finding.text.replaceAll('+-', '\u00b1');
  const colon = text.indexOf(': ');
  const button = make('button', { type: 'button', class: 'finding', 'data-finding': i },
    make('span', { class: 'at' }, text.slice(0, colon)), ' ', text.slice(colon + 2));
  button.addEventListener('click', () => hearFinding(i));
  return make('li', {}, button);
}

/** What the pencil writes beside a note, in words or in signs that are in every font. */
function pencil(finding) {
  const value = finding.value === null ? '' : number(Math.abs(finding.value));
  switch (finding.kind) {
    case 'wrong': return finding.heard ? `played ${finding.heard}` : 'another note';
    case 'missed': return 'left out';
    case 'added': return `\u2038 ${finding.heard ?? 'a note too many'}`;
    case 'unsure': return '?';
    case 'sharp': return `\u2191 ${value} cents`;
    case 'flat': return `\u2193 ${value} cents`;
    case 'uneven': return finding.unit === 'ms' ? `uneven ${value} ms` : 'uneven';
    case 'pushing': return `pushes +${value}`;
    case 'dragging': return `drags \u2212${value}`;
    case 'restart': return 'began again';
    case 'skip': return 'jumped';
    case 'stopped': return `// ${value} s`;
    case 'slurred_tongued': return 'tongued';
    case 'tongued_slurred': return 'slurred';
    case 'transposed': return `all ${finding.value > 0 ? '+' : '\u2212'}${value} semitones`;
    default: return finding.kind;
  }
}

/** The line as words: for a screen reader always, for everyone where no picture can be drawn. */
function showInWords(notes, findings) {
  const at = new Map();
  findings.forEach((finding, i) => {
    const first = firstOf(finding);
    at.set(first, [...(at.get(first) ?? []), [finding, i]]);
  });
  const pencilled = (index) => findings
    .filter((f) => (f.index === undefined ? firstOf(f) <= index && index <= lastOf(f) : f.index === index))
    .map((f) => f.kind).join(' ') || null;
  const pictured = !$('picture').hidden;
  $('bars-in-words').replaceChildren(...barsOf(notes).map((bar) => {
    const button = make('button', { type: 'button', class: 'bar', 'data-first': bar.first, 'aria-label': `Hear bar ${barName(bar)}` }, barName(bar));
    button.addEventListener('click', () => hearNotes(bar.first, bar.last));
    const item = make('li', { 'data-bar': bar.first }, button);
    for (let index = bar.first; index <= bar.last; index += 1) {
      item.append(make('span', { class: 'note', 'data-pencil': pencilled(index), ...(pictured ? {} : { 'data-index': index }) }, notes[index].written), ' ');
      for (const [finding, i] of at.get(index) ?? []) item.append(wordMark(finding, i, pictured), ' ');
    }
    return item;
  }));
  $('in-words').hidden = false;
  $('in-words').open = !pictured;
}

/** A mark among the words; where there is a picture, the mark that counts is drawn in that. */
function wordMark(finding, i, pictured) {
  const place = finding.index === undefined
    ? { 'data-first': finding.first_index, 'data-last': finding.last_index }
    : { 'data-index': finding.index };
  return make('span', {
    class: pictured ? 'remark' : 'mark',
    title: finding.text,
    ...(pictured ? {} : { 'data-kind': finding.kind, 'data-finding': i, ...place }),
  }, pencil(finding));
}

/** Millimetres of a pixel (CSS Values 4: 96 to an inch). */
const MM = 25.4 / 96;

/** The engraved part, where this build can draw it; until it is there the words stand for it. */
function drawPart(address, chosen) {
  if (!stand.canEngrave) return;
  const asked = Object.entries(chosen).filter(([, value]) => value !== null);
  const width = $('stand').clientWidth;
  const query = new URLSearchParams([...asked, ['width_mm', width * MM]]);
  stand.drawing = `${address}?${query}`;
  stand.drawn = { address, chosen, width };
  quietly(async () => {
    const mine = stand.drawing;
    const answer = await fetch(mine);
    const text = await answer.text();
    // A newer picture is on its way.
    if (mine !== stand.drawing) return;
    if (!answer.headers.get('Content-Type').startsWith('text/html')) {
      throw new Said(JSON.parse(text).error);
    }
    const drawn = new DOMParser().parseFromString(text, 'text/html').body.firstElementChild;
    $('picture').replaceChildren($('bar-here'), document.importNode(drawn, true));
    $('picture').hidden = false;
    const findings = stand.report?.check.findings ?? [];
    const left = new Set(findings.keys());
    for (const mark of $('picture').querySelectorAll('.mark')) {
      const first = Number(mark.dataset.index ?? mark.dataset.first);
      const i = findings.findIndex((f, k) => left.has(k) && f.kind === mark.dataset.kind && firstOf(f) === first);
      if (i >= 0) mark.dataset.finding = i;
      left.delete(i);
    }
    // A finding that was asked for meanwhile keeps its mark.
    const shown = document.querySelector('.finding[aria-current="true"]');
    if (shown) showFinding(Number(shown.dataset.finding));
    lastHere = null;
    showInWords(notesOnStand(), findings);
  });
}

/** A window that was not moved for so long has its new size. */
const SETTLED_MS = 250;
/** Of the width: below this change the picture is only scaled. */
const SCALED = 0.1;

/** Engraves the part anew for a window of another width. */
function redraw() {
  if (!stand.drawn) return;
  const { address, chosen, width } = stand.drawn;
  if (Math.abs($('stand').clientWidth / width - 1) > SCALED) drawPart(address, chosen);
}

/** A click into the picture: its finding, or else the bar of the note. */
function hearPicture(e) {
  const mark = e.target.closest('.mark');
  if (mark?.dataset.finding) {
    hearFinding(Number(mark.dataset.finding));
    return;
  }
  const note = e.target.closest('[data-index]');
  if (!note) return;
  const index = Number(note.dataset.index);
  const bar = barsOf(notesOnStand()).findLast((b) => b.first <= index);
  hearNotes(bar.first, bar.last);
}

const PLOTS = [
  ['tempo', 'Tempo over the bars, in beats a minute'],
  ['evenness', 'Unevenness of each run, in milliseconds: filled is uneven, open even, a thin line cannot be told; the short rule is half of what listeners notice'],
  ['tuning', 'Tuning of each note against the take\u2019s own A, in cents, sharp upwards'],
];

function drawPlots(report) {
  $('plots').replaceChildren(...PLOTS.map(([name, caption]) => make('figure', { tabindex: 0 },
    make('figcaption', {}, `${caption}.`),
    make('img', { src: `api/reports/${report}/plots/${name}.svg`, alt: `${caption}; the figures are in the file of figures.` }))));
  $('plots').hidden = false;
}

// ---- history and class -----------------------------------------------------------------------

/** Takes shown before the older ones are asked for. */
const TAKES_SHOWN = 8;

/** The kept takes of the line on the stand, newest first, and what they show over the days. */
function showHistory() {
  return quietly(async () => {
    const line = stand.line.number;
    const query = new URLSearchParams(Object.entries(choice()).filter(([, value]) => value !== null));
    const told = await ask(`api/lines/${line}/history?${query}`);
    if (line !== stand.line.number) return;
    $('history').hidden = told.takes.length === 0;
    if (told.takes.length === 0) return;
    $('history-title').textContent = told.heading;
    const items = told.takes.map((take) => {
      const button = make('button', { type: 'button', class: 'kept-take' }, keptInWords(take));
      button.addEventListener('click', () => openKept(take.id));
      return make('li', { value: take.id }, button);
    });
    for (const item of items.slice(TAKES_SHOWN)) item.hidden = true;
    const all = make('button', { type: 'button' }, `Show all ${items.length}`);
    all.addEventListener('click', () => {
      for (const item of items) item.hidden = false;
      items[TAKES_SHOWN].querySelector('button').focus();
      all.parentElement.remove();
    });
    $('kept-takes').replaceChildren(...items);
    if (items.length > TAKES_SHOWN) $('kept-takes').append(make('li', { class: 'more' }, all));
    putInto($('review'), told.review);
  });
}

function keptInWords(take) {
  const words = [take.played.slice(0, 16), take.player, take.bars && `bars ${take.bars}`,
    `${take.right} of ${take.judged} right${take.added ? `, ${take.added} added` : ''}`,
    take.tempo_bpm && `${number(take.tempo_bpm)} beats a minute`];
  return words.filter(Boolean).join(' \u00b7 ');
}

/** A kept take on the stand again, with its marks, its pictures and its sound. */
function openKept(id) {
  return attempt(async () => {
    busy(`Opening take ${id}.`);
    const event = await ask(`api/kept/${id}`);
    stand.class = null;
    showReport(event);
    $('stand').focus();
  });
}

/** Our own server's HTML, without ever running anything in it. */
function putInto(element, html) {
  const drawn = new DOMParser().parseFromString(html, 'text/html').body;
  element.replaceChildren(...[...drawn.childNodes].map((node) => document.importNode(node, true)));
}

function showClass(event) {
  $('class-title').textContent = event.heading;
  putInto($('class-table'), event.table);
  $('class-refused').replaceChildren(...stand.refused.map((text) => make('li', {}, text)));
  for (const link of $('class-table').querySelectorAll('a[href^="#take-"]')) {
    const take = event.takes.find((t) => link.hash === `#take-${t.number}`);
    link.addEventListener('click', (e) => {
      e.preventDefault();
      stand.take = take;
      $('stand').focus();
      check();
    });
  }
  $('class').hidden = false;
  $('class').focus();
  busy('The class is checked. A player\u2019s name puts the marked part on the stand.');
}

// ---- listening -------------------------------------------------------------------------------

const player = $('player');
/** Where the sound of the moment stops by itself, seconds. */
let until = null;
/** What the player has loaded, and what it is to load next: 'take' or 'line'. */
let loaded = null;
let wanted = 'take';
/** The note to begin at; null goes on where the sound is. */
let startIndex = 0;
/** The first note of the spot that was asked for. */
let spot = null;
let lastHere = null;

/** Seconds at which note `index` begins in what is loaded. */
function secondsOf(index, source) {
  if (source === 'line') return stand.lineSound.onsets_s[index];
  const notes = stand.report.check.notes;
  for (let i = index; i >= 0; i -= 1) if (notes[i].onset_s !== null) return notes[i].onset_s;
  for (let i = index; i < notes.length; i += 1) if (notes[i].onset_s !== null) return notes[i].onset_s;
  return 0;
}

/** The note that sounds `seconds` into what is loaded. */
function indexAt(seconds) {
  const n = notesOnStand().length;
  let found = 0;
  for (let i = 0; i < n; i += 1) {
    const onset = loaded === 'line' ? stand.lineSound.onsets_s[i] : stand.report.check.notes[i].onset_s;
    if (onset !== null && onset <= seconds + 0.02) found = i;
  }
  return found;
}

async function load(source) {
  if (source === 'line' && !stand.lineSound) {
    busy('Playing the line into a file.');
    stand.lineSound = await post(`api/lines/${stand.line.number}/sound`, {
      choice: choice(),
      report: stand.report?.report ?? null,
      click: click(),
    });
    busy('');
  }
  const sound = source === 'line' ? stand.lineSound.sound : stand.report.take.sound;
  const address = `api/sounds/${sound}`;
  if (player.getAttribute('src') !== address) {
    player.src = address;
    await new Promise((done) => {
      player.addEventListener('loadedmetadata', done, { once: true });
      player.addEventListener('error', done, { once: true });
    });
    if (player.error) throw new Said('This browser cannot play the sound.');
  }
  loaded = source;
  player.preservesPitch = true;
  player.playbackRate = Number($('speed').value);
  $('place').max = String(player.duration);
}

/** Plays what is loaded from one second to another; to its end without `end`. */
async function play(start, end = null) {
  until = end;
  spot = null;
  player.currentTime = Math.max(0, start);
  try {
    await player.play();
  } catch (error) {
    // Stopped again before it began: that is what was wanted.
    if (error.name !== 'AbortError') throw new Said(`The browser does not play this: ${error.message}`);
  }
}

/** Plays notes `first` to `last` and a little around them; asked again, it stops. */
function hearNotes(first, last) {
  return attempt(async () => {
    const again = !player.paused && spot === first;
    player.pause();
    if (again) return;
    const source = stand.report ? wanted : 'line';
    await load(source);
    const start = secondsOf(first, source);
    const next = last + 1 < notesOnStand().length ? secondsOf(last + 1, source) : player.duration;
    await play(start - AROUND_S, Math.max(start, next) + AROUND_S);
    spot = first;
  });
}

function hearFinding(i) {
  const finding = stand.report.check.findings[i];
  showFinding(i);
  return hearNotes(firstOf(finding), lastOf(finding));
}

/** Shows which mark belongs to a finding, and which finding to a mark. */
function showFinding(i) {
  for (const button of document.querySelectorAll('.finding')) {
    button.setAttribute('aria-current', String(button.dataset.finding === String(i)));
  }
  for (const mark of document.querySelectorAll('.mark')) {
    mark.classList.toggle('shown', mark.dataset.finding === String(i));
  }
}

/** Plays the take or the line, goes on where it was, or stops it. */
function toggle(source) {
  return attempt(async () => {
    if (!player.paused && loaded === source) {
      player.pause();
      return;
    }
    // Changing over stays at the same note, so that take and line can be compared.
    const index = startIndex ?? (loaded && loaded !== source ? indexAt(player.currentTime) : null);
    wanted = source;
    await load(source);
    startIndex = null;
    await play(index === null ? player.currentTime : secondsOf(index, source) - BEFORE_S);
  });
}

/** Stops and forgets what was loaded. */
function halt() {
  player.pause();
  player.removeAttribute('src');
  loaded = null;
  until = null;
  wanted = 'take';
  startIndex = 0;
  $('where').textContent = '';
  $('place').value = '0';
  here(null);
}

const clock = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, '0')}`;

/** Marks the bar that sounds. */
function here(index) {
  const bar = index === null || !stand.line ? null : barsOf(notesOnStand()).findLast((b) => b.first <= index);
  if (lastHere === bar?.first) return;
  lastHere = bar?.first;
  for (const item of document.querySelectorAll('.here')) item.classList.remove('here');
  $('bar-here').hidden = true;
  if (!bar) return;
  for (const item of document.querySelectorAll(`[data-bar="${bar.first}"]`)) item.classList.add('here');
  shade(bar);
}

/** A light shade behind a bar of the picture. */
function shade(bar) {
  const picture = $('picture');
  const sides = [];
  for (let index = bar.first; index <= bar.last; index += 1) {
    const note = picture.querySelector(`[data-index="${index}"]:not(.mark)`);
    if (note) sides.push([note.getBoundingClientRect(), note.closest('.system')]);
  }
  if (sides.length === 0) return;
  const system = sides[0][1];
  const on = sides.filter((side) => side[1] === system).map((side) => side[0]);
  const staff = system.querySelector('.staff').getBoundingClientRect();
  const frame = picture.getBoundingClientRect();
  const left = Math.min(...on.map((r) => r.left)) - frame.left + picture.scrollLeft;
  const right = Math.max(...on.map((r) => r.right)) - frame.left + picture.scrollLeft;
  Object.assign($('bar-here').style, {
    left: `${left - 6}px`,
    width: `${right - left + 12}px`,
    top: `${Math.min(staff.top, ...on.map((r) => r.top)) - frame.top - 4}px`,
    height: `${Math.max(staff.bottom, ...on.map((r) => r.bottom)) - Math.min(staff.top, ...on.map((r) => r.top)) + 8}px`,
  });
  $('bar-here').hidden = false;
}

function tick() {
  if (until !== null && player.currentTime >= until) player.pause();
  if (loaded) {
    const index = indexAt(player.currentTime);
    const bar = notesOnStand()[index].bar;
    $('place').value = String(player.currentTime);
    $('place').setAttribute('aria-valuetext', `bar ${bar}, ${clock(player.currentTime)}`);
    $('where').textContent = `${clock(player.currentTime)}, bar ${bar}`;
    here(index);
  }
  if (!player.paused) requestAnimationFrame(tick);
}

function showPlaying() {
  $('play-take').setAttribute('aria-pressed', String(loaded === 'take' && !player.paused));
  $('play-line').setAttribute('aria-pressed', String(loaded === 'line' && !player.paused));
  requestAnimationFrame(tick);
}

// ---- what the player does --------------------------------------------------------------------

async function takeIn(files) {
  // The line first: a take is checked as soon as both are there.
  const all = [...files].sort((a, b) => LINE_NAME.test(b.name) - LINE_NAME.test(a.name));
  const takes = all.filter((file) => !LINE_NAME.test(file.name));
  for (const file of all) if (LINE_NAME.test(file.name)) await takeLine(file);
  if (takes.length > 1) await takeClass(takes);
  else if (takes.length === 1) await takeTake(takes[0]);
}

function remember() {
  const what = { instrument: $('instrument').value || stand.remembered?.instrument || null, click: click() };
  stand.remembered = what;
  return attempt(() => post('api/remembered', what));
}

function begin() {
  $('line-file').addEventListener('change', (e) => attempt(() => takeIn(e.target.files)).finally(() => { e.target.value = ''; }));
  $('take-file').addEventListener('change', (e) => attempt(async () => {
    const files = [...e.target.files];
    if (files.length > 1) await takeClass(files);
    else for (const file of files) await takeTake(file);
  }).finally(() => { e.target.value = ''; }));
  $('desk').addEventListener('submit', (e) => { e.preventDefault(); if (!$('check').disabled) checkAgain(); });
  for (const id of ['instrument', 'part']) {
    $(id).addEventListener('change', () => attempt(async () => {
      if (id === 'instrument' && $('instrument').value) remember();
      if (!stand.line) return;
      await readAgain();
      checkAgain();
    }));
  }
  for (const id of ['beat', 'bpm']) {
    $(id).addEventListener('change', () => {
      if ($('bpm').reportValidity()) remember();
      // With a report the line sounds at the take's tempo.
      if (!stand.report) stand.lineSound = null;
    });
  }
  let settled = null;
  window.addEventListener('resize', () => {
    $('bar-here').hidden = true;
    lastHere = null;
    clearTimeout(settled);
    settled = setTimeout(redraw, SETTLED_MS);
  });
  $('trouble-read').addEventListener('click', () => { $('trouble').hidden = true; $('check').focus(); });
  $('listen').addEventListener('click', listen);
  $('stop').addEventListener('click', () => attempt(() => send({ do: 'stop' })));
  $('picture').addEventListener('click', hearPicture);
  $('print').addEventListener('click', () => window.print());

  $('play-take').addEventListener('click', () => toggle('take'));
  $('play-line').addEventListener('click', () => toggle('line'));
  $('speed').addEventListener('change', () => { player.playbackRate = Number($('speed').value); });
  $('from-bar').addEventListener('change', () => {
    startIndex = Number($('from-bar').value);
    if (player.paused) return;
    until = null;
    player.currentTime = Math.max(0, secondsOf(startIndex, loaded) - BEFORE_S);
    startIndex = null;
  });
  $('place').addEventListener('input', () => {
    if (!loaded) return;
    until = null;
    startIndex = null;
    player.currentTime = Number($('place').value);
  });
  player.addEventListener('ended', () => { startIndex = Number($('from-bar').value); });
  for (const name of ['play', 'pause', 'ended']) player.addEventListener(name, showPlaying);
  player.addEventListener('seeked', tick);

  document.addEventListener('keydown', (e) => { if (e.key === 'Escape') player.pause(); });

  let inside = 0;
  const hasFiles = (e) => [...(e.dataTransfer?.types ?? [])].includes('Files');
  document.addEventListener('dragenter', (e) => { if (hasFiles(e)) { inside += 1; $('drop').hidden = false; } });
  document.addEventListener('dragleave', (e) => { if (hasFiles(e)) { inside -= 1; $('drop').hidden = inside <= 0; } });
  document.addEventListener('dragover', (e) => e.preventDefault());
  document.addEventListener('drop', (e) => {
    e.preventDefault();
    inside = 0;
    $('drop').hidden = true;
    if (e.dataTransfer.files.length) attempt(() => takeIn(e.dataTransfer.files));
  });

  attempt(async () => {
    const start = await ask('api/start');
    stand.instruments = start.instruments;
    stand.canEngrave = start.can_engrave;
    stand.remembered = start.remembered;
    $('instrument').append(new Option('what the file says', ''), ...start.instruments.map((i) => new Option(i.label, i.name)));
    if (start.remembered.instrument) $('instrument').value = start.remembered.instrument;
    if (start.remembered.click) {
      const [beat, bpm] = start.remembered.click.split('=');
      $('beat').value = beat;
      $('bpm').value = bpm;
    }
    if (start.line) {
      const given = start.line.choice.instrument;
      $('instrument').value = given ?? '';
      showLine(start.line);
      if (!given && start.line.line.instrument === 'unknown' && start.remembered.instrument) {
        $('instrument').value = start.remembered.instrument;
        await readAgain();
      }
    }
  });
}

begin();
