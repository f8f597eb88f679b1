// What is asked: one patch with its scales, or two patches side by side.

const MOST_RADIOS = 10; // grades; a longer scale is a field for a number
const NOTE_WAITS_MS = 300; // a note is kept when the typing stops for so long, and at once when the page is left

let half = null; // what stands on the screen, half made: {item, answers, note, cannot}
let noteTimer = 0;

function keepHalf() {
  forgetNote();
  const { item, answers, note, cannot } = half;
  keep("draft", { item, answers: { ...answers }, note, cannot });
}

function keepNote() {
  if (noteTimer) keepHalf();
}

function forgetNote() {
  clearTimeout(noteTimer);
  noteTimer = 0;
}

function answer(scale, value) {
  half.answers[scale.name] = value;
  fault("");
  keepHalf();
}

function fault(words) {
  $("fault").textContent = words;
}

function codeHead(words, ...children) {
  return make("h2", { tabindex: "-1", id: "head" }, words, ...children);
}

function drawPatch(item) {
  const scales = scalesOf(plan, item);
  half = Object.assign({ item }, shownFor(state, item));
  const form = make("form", { id: "form", novalidate: true, onsubmit: (event) => {
    event.preventDefault();
    next();
  } },
  ...scales.map(scaleField), ...remarkFields("Cannot be scored", "Why can it not be scored?"),
  make("p", { id: "fault", role: "status" }),
  make("div", { class: "row" }, backButton(), make("button", { type: "submit", id: "next", class: "main" }, "Next")));
  return [codeHead("Patch ", make("span", { class: "code" }, String(item.patch))), form];
}

function scaleField(scale) {
  const numbered = scale.kind !== "yes_no" && scale.grades > MOST_RADIOS;
  return numbered ? numberField(scale) : choiceField(scale);
}

// The id of a scale's field or of one of its choices; names may hold what an id must not.
function answerId(scale, value) {
  return "answer-" + plan.scales.indexOf(scale) + (value && "-" + value);
}

// --- radio buttons ---

function choiceField(scale) {
  const halves = scale.kind !== "yes_no" && scale.half_grades;
  const boxes = valuesOf(scale).map((value) => choice(scale, value));
  const look = scale.kind === "yes_no" ? "answers two" : halves ? "answers halves" : "answers";
  return make("fieldset", { class: "scale", disabled: half.cannot, onkeydown: (event) => digit(event, scale) },
    make("legend", {}, capital(scale.words)), make("p", { class: "keys" }, keyWords(scale)),
    make("div", { class: look }, ...boxes));
}

function choice(scale, value) {
  const id = answerId(scale, value);
  const input = make("input", { type: "radio", id, name: scale.name, value, onchange: () => answer(scale, value) });
  input.checked = half.answers[scale.name] === value;
  const label = make("label", { class: value.endsWith(".5") ? "between" : "grade", for: id }, input, ...choiceWords(scale, value));
  if (scale.kind !== "yes_no" && scale.half_grades) {
    label.style.gridRow = 2 * Number(value) - 1 + " / span 2"; // a half stands beside the gap between two grades
  }
  return label;
}

function choiceWords(scale, value) {
  if (scale.kind === "yes_no") return [make("span", {}, value === "1" ? "Yes" : "No")];
  const number = make("strong", {}, value.replace(".5", "½"));
  const words = value.endsWith(".5") ? "" : scale.anchors[Number(value) - 1];
  return words ? [number, make("span", {}, words)] : [number];
}

function keyWords(scale) {
  if (scale.kind === "yes_no") return "Keys here: 1 yes, 0 no.";
  return "Keys here: 1 to " + Math.min(9, scale.grades) + (scale.half_grades || scale.grades > 9 ? ", arrows for the others." : ".");
}

// A digit chooses only while the keyboard is in the group.
function digit(event, scale) {
  if (event.ctrlKey || event.altKey || event.metaKey || !/^\d$/.test(event.key)) return;
  const box = $(answerId(scale, event.key));
  if (!box || box.disabled) return;
  event.preventDefault();
  box.focus();
  if (box.checked) return;
  box.checked = true;
  answer(scale, event.key);
}

// --- a field for a number ---

function numberField(scale) {
  const id = answerId(scale, "");
  const ends = [scale.anchors[0], scale.anchors[scale.grades - 1]];
  const words = "1" + (ends[0] ? ": " + ends[0] : " is the lowest") + "; " + scale.grades + (ends[1] ? ": " + ends[1] : " the highest")
    + (scale.half_grades ? "; halves allowed." : "; whole numbers.");
  const input = make("input", { type: "text", inputmode: "decimal", id, autocomplete: "off", maxlength: "40",
    "aria-describedby": id + "-words", oninput: () => answer(scale, input.value) });
  input.value = half.answers[scale.name] || "";
  return make("fieldset", { class: "scale", disabled: half.cannot }, make("legend", {}, capital(scale.words)),
    make("p", { id: id + "-words" }, words),
    make("label", { class: "field", for: id }, "Grade from 1 to " + scale.grades, input));
}

// --- a note, and what cannot be scored ---

function remarkFields(cannotWords, whyWords) {
  const label = make("span", { id: "note-label" }, half.cannot ? whyWords : "Note (may stay empty)");
  const box = make("textarea", { id: "note", rows: "2", maxlength: "500", oninput: () => {
    half.note = box.value;
    clearTimeout(noteTimer);
    noteTimer = setTimeout(keepHalf, NOTE_WAITS_MS);
  }, onchange: keepNote });
  box.value = half.note;
  const cannot = make("input", { type: "checkbox", id: "cannot", onchange: () => {
    half.cannot = cannot.checked;
    document.querySelectorAll("fieldset.scale").forEach((one) => {
      one.disabled = half.cannot;
    });
    label.textContent = half.cannot ? whyWords : "Note (may stay empty)";
    keepHalf();
  } });
  cannot.checked = half.cannot;
  return [make("label", { class: "tick", for: "cannot" }, cannot, make("span", {}, cannotWords)),
    make("label", { class: "field", for: "note" }, label, box)];
}

// --- on and back ---

function missing(scale) {
  return !valueOf(scale, half.answers[scale.name]);
}

function whyNot() {
  half.note = $("note").value;
  if (half.note.trim()) return true;
  fault("Write the reason first.");
  $("note").focus();
  return false;
}

const next = once(() => {
  const scales = scalesOf(plan, half.item);
  if (half.cannot) {
    if (whyNot()) markNow({}, true);
    return;
  }
  const open = scales.filter(missing);
  if (open.length) {
    lastTap = 0;
    fault(openWords(open));
    const first = $(answerId(open[0], "")) || $(answerId(open[0], valuesOf(open[0])[0]));
    first.focus();
    return;
  }
  markNow(Object.fromEntries(scales.map((scale) => [scale.name, valueOf(scale, half.answers[scale.name])])), false);
});

function openWords(scales) {
  const wrong = scales.find((scale) => (half.answers[scale.name] || "").trim());
  if (wrong) return capital(wrong.words) + " must be a " + (wrong.half_grades ? "whole or half" : "whole") + " number from 1 to " + wrong.grades + ".";
  return "Still to answer: " + scales.map((scale) => scale.words).join(", ") + ".";
}

// Marks the item, unless just this stands already, and goes on to the one after it.
function markNow(answers, cannot) {
  const round = roundOf(plan, state.stage);
  const after = round.items[round.items.findIndex((item) => keyOf(item) === keyOf(half.item)) + 1];
  const before = state.marks.get(keyOf(half.item));
  const note = half.note;
  forgetNote();
  const same = before && JSON.stringify([before.answers, before.note, before.cannot]) === JSON.stringify([answers, note, cannot]);
  const drafted = state.drafts.has(keyOf(half.item));
  const to = after ? keyOf(after) : END;
  if (same && !drafted) keep("go", { to });
  else keep("mark", { item: half.item, answers, note, cannot, to });
  draw();
}

function backButton() {
  const round = roundOf(plan, state.stage);
  const at = position(state, round);
  if (at < 1 || at - 1 < frontier(state, round) - backDepth(round)) return null;
  return button("back", "Back", once(() => {
    keepNote();
    keep("go", { to: keyOf(round.items[at - 1]) });
    draw();
  }));
}

// --- two side by side ---

function drawPair(item) {
  half = Object.assign({ item }, shownFor(state, item));
  const ask = plan.choices.find((one) => one.name === item.choice).ask;
  const chosen = half.answers[item.choice];
  const side = (value, words, code) => {
    const one = button("side-" + value, "", once(() => choose(item, value)), "side");
    one.append(make("span", {}, words + " "), make("span", { class: "code" }, String(code)));
    if (chosen === value) one.append(make("span", {}, " chosen before"));
    return one;
  };
  const form = make("form", { id: "form", onsubmit: (event) => event.preventDefault() },
    make("fieldset", { class: "scale pair", disabled: half.cannot }, make("legend", { class: "unseen" }, ask),
      side("1", "Left", item.patch), side("0", "Right", item.against)),
    ...remarkFields("Cannot be compared", "Why can they not be compared?"),
    make("p", { id: "fault", role: "status" }),
    make("div", { class: "row" }, backButton(), button("next", "Next", nextPair, "main")));
  const place = "Lay " + item.patch + " on the left and " + item.against + " on the right. One of the two must be chosen; the tap goes on to what comes next.";
  return [codeHead(ask), make("p", {}, place), form];
}

function choose(item, value) {
  half.note = $("note").value;
  markNow({ [item.choice]: value }, false);
}

const nextPair = once(() => {
  if (half.cannot) {
    if (whyNot()) markNow({}, true);
  } else if (half.answers[half.item.choice]) markNow({ ...half.answers }, false);
  else {
    lastTap = 0;
    fault("Choose the left one or the right one first.");
    $("side-1").focus();
  }
});
