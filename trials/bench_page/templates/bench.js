// The page: draws what the log amounts to, and writes each tap into the log.

const SOON_MS = 10000; // a first signal before a dwell ends
const AGAIN_MS = 15000; // the signal is given again while nobody stops the task
const AGAIN_TIMES = 20;

const plan = JSON.parse(document.getElementById("plan").textContent);
const log = openLog("splitboard-bench-" + plan.trial_id, KINDS, () => drawAll());
const signals = makeSignals();
const drafts = new Map(); // what is being typed, by field
const signalled = new Map(); // how often a running task's end was signalled, by key
let state = replay(log.entries);
let panel = null; // the note or reason that is being written: {kind, key}
let drawn = ""; // what the page showed when it was last drawn, as far as time changes it
let fault = "";
let pressing = false; // a button under a finger is not drawn anew

// --- words ---

function place(task) {
  return "board " + task.board + ", " + task.piece;
}

// 6:04, or 1:06:04.
function clock(seconds) {
  const two = (number) => String(number).padStart(2, "0");
  const hours = Math.floor(seconds / 3600);
  const minutes = Math.floor(seconds / 60) % 60;
  return (hours ? hours + ":" + two(minutes) : minutes) + ":" + two(seconds % 60);
}

function lasting(ms) {
  const minutes = Math.ceil(ms / 60000);
  if (minutes < 60) return minutes + " min";
  return Math.floor(minutes / 60) + " h" + (minutes % 60 ? " " + (minutes % 60) + " min" : "");
}

function timeOfDay(ms) {
  const moment = new Date(ms);
  const time = moment.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
  if (moment.toDateString() === new Date().toDateString()) return time;
  return moment.toLocaleDateString([], { weekday: "short", day: "numeric", month: "short" }) + ", " + time;
}

// --- taps ---

function tap(kind, more) {
  log.add(kind, more);
  drawAll();
  $("said").textContent = kind === "undo" ? "Undone." : kind === "restore" ? "Put back." : capital(tapWords(state.last)) + ".";
}

function startTask(task) {
  if (!state.session || unticked(state, stepOf(plan, task.step), false).length) return;
  panel = panel && panel.kind === "skip" ? null : panel;
  tap("start", { task });
}

function tapWords(entry) {
  const what = entry.task ? " " + place(entry.task) : "";
  const name = {
    begin: "session begun", air: "temperature and humidity", close: "session closed", start: "Start", stop: "Stop",
    skip: "skipping", choose: "choosing", note: "note on", tick: (entry.on ? "ticked: " : "tick taken away: ") + entry.line,
  }[entry.kind];
  return name + what + ", " + timeOfDay(entry.ms);
}

// --- what is running ---

function drawRunning() {
  const jobs = running(state);
  $("running").hidden = !jobs.length;
  $("running-rows").replaceChildren(...jobs.map(runningRow));
  signals.keepAwake(jobs.some((job) => job.task.dwell_s !== null));
}

function runningRow(job) {
  const task = job.task;
  return make("li", { class: "run", "data-key": task.key },
    make("p", { class: "what" }, make("strong", {}, capital(place(task))), " · ", task.step),
    make("p", { class: "count", role: "timer", "aria-live": "off" }),
    make("p", { class: "left" }),
    make("div", { class: "pair" }, stopButton(task), noteParts(task, "run")));
}

function stopButton(task) {
  const stop = button("stop " + task.key, "Stop", once(() => tap("stop", { task })), "main");
  stop.setAttribute("aria-label", "Stop " + place(task));
  return stop;
}

// Words and digits of a running task, from the clock on the wall alone.
function reading(job, now) {
  const task = job.task;
  const elapsed = Math.max(0, now - job.start.ms);
  if (task.dwell_s === null) return { digits: clock(Math.floor(elapsed / 1000)), words: "so far", over: false };
  const left = Math.min(dueMs(job) - now, task.dwell_s * 1000);
  const then = task.ends_with || "stop";
  if (left > 0) return { digits: clock(Math.ceil(left / 1000)), words: "left, then " + then, over: false, left };
  const over = Math.floor(-left / 1000);
  return { digits: "+" + clock(over), words: over ? "Over time: " + then + " now" : "Now: " + then, over: true, left };
}

function tick() {
  const now = Date.now();
  for (const row of document.querySelectorAll(".run")) {
    const job = state.jobs.get(row.dataset.key);
    const shown = reading(job, now);
    row.querySelector(".count").textContent = shown.digits;
    row.querySelector(".left").textContent = shown.words;
    row.classList.toggle("over", shown.over);
    if (job.task.dwell_s !== null) signal(job, shown.left);
  }
  const first = running(state).find((job) => job.task.dwell_s !== null);
  document.title = first ? reading(first, now).digits + " " + place(first.task) : "Bench: " + plan.title;
  if (!pressing && timely(now) !== drawn) drawAll();
}

function signal(job, left) {
  const before = signalled.get(job.start.id) || 0;
  const words = (job.task.ends_with || "stop") + ", " + place(job.task) + ".";
  if (left > 0 && left <= SOON_MS && job.task.dwell_s >= 30 && !before) {
    signalled.set(job.start.id, 1);
    signals.soon();
    $("alarm").textContent = "Ten seconds left, then " + words;
  } else if (left <= 0) {
    const number = 2 + Math.floor(-left / AGAIN_MS);
    if (before < 2) $("alarm").textContent = "Time is up: " + words;
    if (number > before && number <= AGAIN_TIMES + 1) signals.end();
    signalled.set(job.start.id, Math.max(number, before));
  }
}

// What time alone changes beside the digits.
function timely(now) {
  const task = nextTask(state, plan);
  const ready = task ? earliest(state, plan, task).ms - now : 0;
  return JSON.stringify([airDue(now), Math.ceil(Math.max(0, ready) / 60000), new Date(now).toDateString()]);
}

// --- the whole ---

function drawNotices() {
  const words = [];
  if (!log.kept) {
    words.push("This phone does not keep what you tap. The page goes on, but only while it stays open: save or share the table before you leave it.");
  }
  if (log.unreadable) {
    const count = log.unreadable === 1 ? "1 line" : log.unreadable + " lines";
    words.push(count + " of the log on this phone cannot be read. They are left as they are, and all the others are shown. Compare with your own notes.");
  }
  const shown = [...$("notices").children].map((one) => one.textContent);
  if (JSON.stringify(shown) === JSON.stringify(words)) return;
  $("notices").replaceChildren(...words.map((text) => make("p", { class: "notice" }, text)));
}

function drawAll() {
  state = replay(log.entries);
  drawn = timely(Date.now());
  const active = document.activeElement;
  const id = active && active !== document.body ? active.id : "";
  const cursor = id && "selectionStart" in active ? [active.selectionStart, active.selectionEnd] : null;
  [drawNotices, drawRunning, drawAir, drawNext, drawBack, drawLists, drawKeep, drawSession].forEach((draw) => draw());
  tick();
  refocus(id, cursor);
}

// Everything was drawn anew: the keyboard stays where it was, or goes to what comes next.
function refocus(id, cursor) {
  if (!id || document.activeElement.id === id) return;
  const again = $(id);
  if (!again || again.disabled || again.closest("[hidden]")) {
    (running(state).length && id.startsWith("stop ") ? $("running-head") : $("next-head")).focus({ preventScroll: true });
    return;
  }
  again.focus({ preventScroll: true });
  if (cursor && cursor[0] !== null) again.setSelectionRange(cursor[0], cursor[1]);
}

$("try").addEventListener("click", signals.end);
$("air-form").addEventListener("submit", submitAir);
document.addEventListener("pointerdown", () => {
  pressing = true;
});
["pointerup", "pointercancel"].forEach((name) => document.addEventListener(name, () => {
  setTimeout(() => {
    pressing = false;
  }, 100);
}));
window.addEventListener("storage", (event) => {
  if (event.key !== log.name && event.key !== null) return;
  log.reread();
  drawAll();
});
document.addEventListener("visibilitychange", tick);
window.addEventListener("pageshow", tick);
drawAll();
setInterval(tick, 250);
