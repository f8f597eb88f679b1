// What the log amounts to: pure functions of its entries and the plan.

const AIR_LASTS_MS = 2 * 3600 * 1000; // asked again after two hours
const AIR_SERVES_MS = 4 * 3600 * 1000; // an older reading says nothing of a task

function replay(entries) {
  const undone = new Set();
  let back = [];
  for (const entry of entries) {
    if (entry.kind === "undo") {
      undone.add(entry.of);
      back.push(entry.of);
    } else if (entry.kind === "restore") {
      undone.delete(entry.of);
      back = back.filter((id) => id !== entry.of);
    } else {
      back = [];
    }
  }
  const counted = entries.filter((entry) => !["undo", "restore"].includes(entry.kind) && !undone.has(entry.id));
  const byId = new Map(entries.map((entry) => [entry.id, entry]));
  const state = {
    session: null, unit: "C", air: null, jobs: new Map(), chosen: null,
    last: counted.length ? counted[counted.length - 1] : null,
    undone: back.length ? byId.get(back[back.length - 1]) || null : null,
  };
  counted.forEach((entry) => take(state, entry));
  return state;
}

function take(state, entry) {
  const session = state.session;
  if (entry.kind === "begin") {
    state.session = newSession(entry);
    state.unit = entry.unit;
    state.air = entry;
  } else if (entry.kind === "air") {
    state.air = entry;
  } else if (entry.kind === "close") {
    state.session = null;
  } else if (entry.kind === "tick") {
    if (session) session.ticks[entry.on ? "add" : "delete"](tickKey(entry.step, entry.line, entry.closing));
  } else {
    takeTask(state, jobOf(state, entry.task), entry);
  }
}

function newSession(entry) {
  return { ms: entry.ms, ticks: new Set(), steps: new Set() };
}

function takeTask(state, job, entry) {
  if (entry.kind === "start" && !job.start) {
    job.task = entry.task;
    job.start = entry;
    job.skip = null;
    const fresh = state.air && entry.ms - state.air.ms <= AIR_SERVES_MS;
    job.air = fresh ? state.air : null;
    // a line that closes a session holds for what was done before it was ticked, not for what comes after
    state.session = state.session || newSession(entry);
    state.session.steps.add(entry.task.step);
    state.session.ticks.forEach((key) => key.endsWith(",true]") && state.session.ticks.delete(key));
  } else if (entry.kind === "stop" && job.start && !job.stop) {
    job.stop = entry;
  } else if (entry.kind === "skip" && !job.start) {
    job.skip = entry;
  } else if (entry.kind === "choose" && !job.start) {
    job.skip = null;
    state.chosen = job.task.key;
  } else if (entry.kind === "note") {
    job.note = entry.text;
  }
}

function jobOf(state, task) {
  if (!state.jobs.has(task.key)) {
    state.jobs.set(task.key, { task, start: null, stop: null, skip: null, note: "", air: null });
  }
  return state.jobs.get(task.key);
}

function tickKey(step, line, closing) {
  return JSON.stringify([closing ? "" : step, line, closing]);
}

function running(state) {
  const due = (job) => (job.task.dwell_s === null ? Infinity : dueMs(job));
  return [...state.jobs.values()]
    .filter((job) => job.start && !job.stop)
    .sort((one, other) => (due(one) === due(other) ? one.start.ms - other.start.ms : due(one) - due(other)));
}

function finished(state) {
  return [...state.jobs.values()]
    .filter((job) => job.stop || job.skip)
    .sort((one, other) => (one.stop || one.skip).ms - (other.stop || other.skip).ms);
}

function dueMs(job) {
  return job.start.ms + job.task.dwell_s * 1000;
}

function stillOpen(state, plan) {
  return plan.tasks.filter((task) => {
    const job = state.jobs.get(task.key);
    return !job || !(job.start || job.skip);
  });
}

function nextTask(state, plan) {
  const open = stillOpen(state, plan);
  return open.find((task) => task.key === state.chosen) || open[0] || null;
}

function stepOf(plan, name) {
  return plan.steps.find((step) => step.name === name) || null;
}

function unticked(state, step, closing) {
  const ticks = state.session ? state.session.ticks : new Set();
  return step.lines.filter((line) => !closing || line.closing).filter((line) => !ticks.has(tickKey(step.name, line.name, closing)));
}

// The lines that must be ticked before the session may be closed, each once.
function closingLines(state, plan) {
  const found = new Map();
  const begun = state.session ? [...state.session.steps] : [];
  const unknown = begun.some((name) => !stepOf(plan, name)); // of an earlier page: all lines are asked for
  for (const step of plan.steps.filter((one) => unknown || begun.includes(one.name))) {
    for (const line of step.lines.filter((one) => one.closing)) found.set(line.name, { step, line });
  }
  return [...found.values()];
}

// When a task may begin at the earliest: earlier steps on its board are dry, the wait after the task before is over.
function earliest(state, plan, task) {
  const place = plan.steps.findIndex((step) => step.name === task.step);
  let found = { ms: 0, why: "" };
  const later = (ms, why) => {
    if (ms > found.ms) found = { ms, why };
  };
  for (const job of state.jobs.values()) {
    const at = plan.steps.findIndex((step) => step.name === job.task.step);
    if (job.stop && job.task.board === task.board && at >= 0 && at < place) {
      later(job.stop.ms + plan.steps[at].dry_s * 1000, job.task.step + " is drying on this board");
    }
  }
  const before = plan.tasks[plan.tasks.findIndex((one) => one.key === task.key) - 1];
  const job = before && state.jobs.get(before.key);
  if (job && job.stop) later(job.stop.ms + task.wait_s * 1000, "a wait after the task before");
  return found;
}

// --- the table ---

const COLUMNS = ["board", "patch", "step", "started_at", "ended_at", "temperature_c", "humidity_pct", "note"];

function tableText(state) {
  const rows = finished(state).flatMap(rowsOf);
  return [COLUMNS, ...rows].map((row) => row.map(cell).join(",")).join("\r\n") + "\r\n";
}

function rowsOf(job) {
  const { task, start, stop, skip, air } = job;
  const value = (name) => (air && air[name] !== null ? air[name] : "");
  const turnedBack = start && stop && stop.ms < start.ms;
  const remarks = [
    task.piece !== "whole board" && task.piece,
    skip && "skipped" + (skip.text ? ": " + skip.text : ""),
    turnedBack && "the phone's clock was set back while this ran",
    job.note,
  ];
  const note = remarks.filter(Boolean).join("; ");
  const patches = task.patches.length ? task.patches : [""];
  return patches.map((patch) => [
    task.board, patch, harmless(task.step), start ? start.at : "", start && !turnedBack ? stop.at : "",
    value("temperature_c"), value("humidity_pct"), harmless(note),
  ]);
}

// One line, and nothing a spreadsheet would take for a formula.
function harmless(text) {
  const line = text.replace(/[\u0000-\u001f\u007f-\u009f\u2028\u2029]+/g, " ").trim();
  return /^[=+\-@]/.test(line) ? "'" + line : line;
}
