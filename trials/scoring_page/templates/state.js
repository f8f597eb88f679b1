// What the log amounts to: pure functions of its entries and the plan.

const BACK_AT_MOST = 3; // looks; a working value of this project's own, no source
const REST_MS = 120000; // two minutes: eyes tire; common practice, no source
const END = "end";

function keyOf(item) {
  return JSON.stringify([item.stage, item.choice, item.patch, item.against, item.repeat]);
}

function roundOf(plan, stage) {
  return plan.rounds.find((one) => one.stage === stage) || null;
}

function replay(entries, who) {
  const mine = entries.filter((entry) => entry.who === who);
  const from = mine.reduce((last, entry, at) => (entry.kind === "afresh" ? at + 1 : last), 0);
  const state = { stage: null, at: null, marks: new Map(), drafts: new Map(), rested: new Set(), handed: null, since: 0, log: mine.slice(from) };
  state.log.forEach((entry) => take(state, entry));
  return state;
}

function take(state, entry) {
  if (entry.kind === "begin") {
    state.stage = entry.stage;
    state.at = null;
  } else if (entry.kind === "draft") {
    state.drafts.set(keyOf(entry.item), entry);
  } else if (entry.kind === "mark") {
    const key = keyOf(entry.item);
    state.marks.set(key, entry);
    state.drafts.delete(key);
    state.at = entry.to;
    state.since += 1;
  } else if (entry.kind === "go") {
    state.at = entry.to;
  } else if (entry.kind === "rested") {
    state.rested.add(entry.stage + "/" + entry.after);
  } else if (entry.kind === "handed") {
    state.handed = entry;
    state.since = 0;
  }
}

// The first item of a round that has no mark yet; their number where all have one.
function frontier(state, round) {
  const open = round.items.findIndex((item) => !state.marks.has(keyOf(item)));
  return open < 0 ? round.items.length : open;
}

// Which item is shown: where somebody went back to, else the first open one.
function position(state, round) {
  const limit = frontier(state, round);
  const at = round.items.findIndex((item) => keyOf(item) === state.at);
  return at >= 0 && at < limit && at >= limit - backDepth(round) ? at : limit;
}

// How many looks one may go back: never so far that a second look could meet the first one's answer.
function backDepth(round) {
  const last = new Map();
  let nearest = BACK_AT_MOST + 1;
  round.items.forEach((item, at) => {
    const same = JSON.stringify([item.choice, ...[item.patch, item.against].sort()]);
    if (last.has(same)) nearest = Math.min(nearest, at - last.get(same));
    last.set(same, at);
  });
  return nearest - 1;
}

// What stands on the screen for an item: what was begun, else what was marked.
function shownFor(state, item) {
  const key = keyOf(item);
  const entry = state.drafts.get(key) || state.marks.get(key);
  return entry ? { answers: { ...entry.answers }, note: entry.note, cannot: entry.cannot } : { answers: {}, note: "", cannot: false };
}

function restDue(state, round) {
  const at = position(state, round);
  const due = plan.rest_after > 0 && at > 0 && at < round.items.length && at % plan.rest_after === 0;
  return due && at === frontier(state, round) && !state.rested.has(round.stage + "/" + at);
}

// When the rest before an item is over.
function restOverMs(state, round) {
  const before = state.marks.get(keyOf(round.items[position(state, round) - 1]));
  return (before ? before.ms : 0) + REST_MS;
}

function scalesOf(plan, item) {
  return plan.scales.filter((scale) => scale.stages.includes(item.stage));
}

// What a scale takes, as it is written in the table.
function valuesOf(scale) {
  if (scale.kind === "yes_no") return ["1", "0"];
  const steps = scale.half_grades ? 2 : 1;
  return Array.from({ length: (scale.grades - 1) * steps + 1 }, (_, at) => String(1 + at / steps));
}

// The value as it is written in the table, or nothing where the scale does not take it.
function valueOf(scale, text) {
  const written = text === undefined ? "" : text.trim().replace(",", ".");
  return written && valuesOf(scale).includes(String(Number(written))) ? String(Number(written)) : "";
}

// Roughly how long a round takes, minutes rounded up to five: a working value of this project's own, no source.
function lastingMinutes(round) {
  const seconds = (item) => (item.choice ? 20 : 20 + 15 * scalesOf(plan, item).length);
  const rests = plan.rest_after > 0 ? Math.floor((round.items.length - 1) / plan.rest_after) : 0;
  const all = round.items.reduce((sum, item) => sum + seconds(item), rests * REST_MS / 1000);
  return Math.ceil(all / 300) * 5;
}
