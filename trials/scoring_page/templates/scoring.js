// The page: draws the screen that the log amounts to, and writes each tap into the log.

const plan = JSON.parse($("plan").textContent);
const log = openLog("splitboard-scores-" + plan.sitting_id, KINDS, () => {
  who = who || lastWho();
  refresh();
});
let who = plan.assessor || lastWho();
let state = replay(log.entries, who);
let view = ""; // a screen somebody asked for: start, menu or afresh
let drawn = ""; // which screen is shown
let shownText = ""; // what the log said of it when it was drawn

function lastWho() {
  return log.entries.reduce((last, entry) => (entry.kind === "begin" ? entry.who : last), "");
}

function stamp(entry) {
  const today = rfc3339(Date.now()).slice(0, 10);
  return (entry.at.slice(0, 10) === today ? "" : entry.at.slice(0, 10) + " ") + entry.at.slice(11, 16);
}

function keep(kind, more) {
  log.add(kind, Object.assign({ who }, more));
  state = replay(log.entries, who);
  drawNotices();
}

function show(name) {
  keepNote();
  view = name;
  draw();
}

// --- which screen ---

function screenNow() {
  const round = roundOf(plan, state.stage);
  if (view === "start" || !round || !who) return { name: "start", draw: drawStart };
  if (view === "menu") return { name: "menu", draw: drawMenu };
  if (view === "afresh") return { name: "afresh", draw: drawAfresh };
  const at = position(state, round);
  const item = round.items[at];
  if (!item) return { name: "done", draw: () => drawDone(round), round, at };
  if (restDue(state, round)) return { name: "rest " + at, draw: () => drawRest(round), round, at };
  return { name: keyOf(item), draw: () => (item.choice ? drawPair(item) : drawPatch(item)), round, at, item };
}

function titleOf(screen) {
  if (!screen.item) return $("head").textContent + " – Scoring";
  const { choice, patch, against } = screen.item;
  return (choice ? patch + " and " + against : "Patch " + patch) + " – Scoring";
}

// --- drawing ---

function draw() {
  const screen = screenNow();
  const active = document.activeElement;
  const id = active && $("screen").contains(active) ? active.id : "";
  const cursor = id && typeof active.selectionStart === "number" ? [active.selectionStart, active.selectionEnd] : null;
  half = screen.item ? half : null;
  $("screen").replaceChildren(...screen.draw().filter(Boolean));
  $("progress").textContent = screen.item ? screen.at + 1 + " of " + screen.round.items.length : "";
  $("menu").hidden = ["start", "menu", "afresh"].includes(screen.name);
  document.title = titleOf(screen);
  $("screen").className = screen.item ? "asking" : "";
  if (drawn && drawn !== screen.name) {
    window.scrollTo(0, 0);
    $("said").textContent = "";
    $("head").focus();
  } else if (id) refocus(id, cursor);
  drawn = screen.name;
  shownText = logText();
  drawNotices();
  tickRest();
}

function refocus(id, cursor) {
  const again = $(id);
  if (!again || again.disabled) {
    $("head").focus();
    return;
  }
  again.focus({ preventScroll: true });
  if (cursor) again.setSelectionRange(cursor[0], cursor[1]);
}

function logText() {
  return JSON.stringify(state.log.map((entry) => entry.id));
}

// Somebody else, another tab or the second store, added to the log.
function refresh() {
  state = replay(log.entries, who);
  if (logText() !== shownText) draw();
}

function drawNotices() {
  const words = [];
  if (!log.kept) {
    words.push("This phone does not keep what you tap. The page goes on, but only while it stays open: hand over the scores before you leave it.");
  }
  if (log.unreadable) {
    words.push(count(log.unreadable, "line", "lines") + " of the log on this phone cannot be read. They are left as they are, and all the others count.");
  }
  const shown = [...$("notices").children].map((one) => one.textContent);
  if (JSON.stringify(shown) !== JSON.stringify(words)) {
    $("notices").replaceChildren(...words.map((text) => make("p", { class: "notice" }, text)));
  }
  const last = state.log[state.log.length - 1];
  const kept = !last ? "" : log.kept ? "Kept on this phone " + stamp(last) : "Not kept on this phone";
  if ($("kept").textContent !== kept) $("kept").textContent = kept;
}

// --- start ---

$("menu").addEventListener("click", () => show("menu"));
window.addEventListener("storage", (event) => {
  if (event.key !== log.name && event.key !== null) return;
  const before = half ? state.marks.get(keyOf(half.item)) : null;
  log.reread();
  state = replay(log.entries, who);
  if (half && state.marks.get(keyOf(half.item)) === before) {
    half.answers = shownFor(state, half.item).answers;
    keepNote();
  } else forgetNote(); // the other tab has scored it meanwhile
  refresh();
});
window.addEventListener("pagehide", keepNote);
document.addEventListener("visibilitychange", keepNote);
probe();
draw();
setInterval(tickRest, 250);

// Says at once, not at the first tap, where nothing can be kept.
function probe() {
  const name = log.name + "-probe";
  try {
    window.localStorage.setItem(name, "1");
    log.kept = log.kept && window.localStorage.getItem(name) === "1";
    window.localStorage.removeItem(name);
  } catch (error) {
    log.kept = false;
  }
}
