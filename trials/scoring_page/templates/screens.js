// The other screens: the start, a rest, the end of a round, handing over, starting afresh.

function head(words) {
  return make("h2", { tabindex: "-1", id: "head" }, words);
}

function count(number, one, several) {
  return number + " " + (number === 1 ? one : several);
}

function capitalStage(stage) {
  return capital(stage.replace(/_/g, " "));
}

// --- start ---

function drawStart() {
  const form = make("form", { id: "form", novalidate: true, onsubmit: begin },
    who && plan.assessor ? make("p", {}, "Scored by: ", make("strong", {}, who)) : nameField(),
    roundField(), make("p", { id: "fault", role: "status" }),
    make("button", { type: "submit", id: "begin", class: "main" }, state.log.length ? "Go on" : "Begin"));
  return [head("Before you begin"), howToLook(),
    make("p", {}, "You see the code of one patch at a time, and nothing else. Answer all that is asked, then go on. What you tap stays on this phone, in this browser, until you hand it over; nothing is sent anywhere."),
    form];
}

function howToLook() {
  return make("ul", { class: "list" }, ...plan.how_to_look.map((one) => make("li", {}, one)));
}

function nameField() {
  const input = make("input", { type: "text", id: "name", autocomplete: "off", maxlength: "60", required: true });
  input.value = who;
  return make("label", { class: "field", for: "name" }, "Your name or initials", input);
}

function roundField() {
  if (plan.rounds.length === 1) return make("p", {}, roundWords(plan.rounds[0]));
  const first = plan.rounds.find((round) => round.stage === state.stage)
    || plan.rounds.find((round) => frontier(state, round) < round.items.length) || plan.rounds[0];
  return make("fieldset", {}, make("legend", {}, "Which round"), make("div", { class: "answers" }, ...plan.rounds.map((round) => {
    const id = "round-" + plan.rounds.indexOf(round);
    const input = make("input", { type: "radio", name: "round", id, value: round.stage });
    input.checked = round === first;
    return make("label", { class: "grade", for: id }, input, make("span", {}, make("strong", {}, capitalStage(round.stage)), ": " + roundWords(round)));
  })));
}

function roundWords(round) {
  const done = frontier(state, round);
  const all = round.items.length;
  const words = count(all, "look", "looks") + ", about " + lastingMinutes(round) + " min";
  return done ? words + "; " + (done === all ? "all done" : done + " done") + "." : words + ".";
}

function begin(event) {
  event.preventDefault();
  const name = plan.assessor || $("name").value.replace(/\s+/g, " ").trim();
  if (!name) {
    fault("Write your name or initials first.");
    $("name").focus();
    return;
  }
  who = name;
  state = replay(log.entries, who);
  const box = document.querySelector("input[name=round]:checked");
  keep("begin", { stage: box ? box.value : plan.rounds[0].stage });
  view = "";
  draw();
}

// --- a rest ---

function drawRest(round) {
  const after = position(state, round);
  const early = button("go-on", "Go on", once(() => {
    keep("rested", { stage: round.stage, after });
    draw();
  }), "main");
  return [head("Rest your eyes"),
    make("p", {}, "Eyes tire and get used to what they look at. Look into the distance, or at something grey, for two minutes. You may go on at any time."),
    make("p", { id: "count", role: "timer", "aria-live": "off" }), early];
}

function tickRest() {
  const place = $("count");
  if (!place) return;
  const left = Math.ceil((restOverMs(state, roundOf(plan, state.stage)) - Date.now()) / 1000);
  const seconds = Math.max(0, Math.min(left, REST_MS / 1000));
  const words = seconds ? Math.floor(seconds / 60) + ":" + String(seconds % 60).padStart(2, "0") : "The rest is over.";
  if (place.textContent === words) return;
  place.textContent = words;
  if (!seconds) $("said").textContent = words;
}

// --- the end of a round, and handing over ---

function drawDone(round) {
  const others = plan.rounds.filter((one) => frontier(state, one) < one.items.length);
  return [head("All looked at"),
    make("p", {}, "This round is done: " + count(round.items.length, "look", "looks") + "."),
    ...handOver("main"), textField(), make("div", { class: "row" }, backButton(),
      others.length ? button("other", "Begin another round", () => show("start")) : null)];
}

function drawMenu() {
  return [head("Menu"), button("return", "Go back to the scoring", () => show(""), "main"),
    make("section", {}, make("h3", {}, "Hand over"), ...handOver("")),
    make("section", {}, make("h3", {}, "How to look"), howToLook()),
    plan.rounds.length > 1 || !plan.assessor ? make("section", {}, make("h3", {}, plan.assessor ? "Rounds" : "Rounds and names"),
      button("other", plan.assessor ? "Choose another round" : "Another round, or somebody else scores", () => show("start"))) : "",
    make("section", {}, make("h3", {}, "Start afresh"), ...afreshParts())];
}

function handOver(look) {
  const rows = tableRows(state, who).length;
  const out = marksInOrder(state).filter((mark) => mark.cannot);
  const reasons = new Map(out.map((mark) => [mark.item.patch + (mark.item.against ? " and " + mark.item.against : ""), oneLine(mark.note)]));
  const file = new File([tableText(state, who)], tableName(who), { type: "text/csv" });
  return [
    make("p", { id: "handed" }, handedWords(rows)),
    out.length ? make("p", {}, count(out.length, "look gave", "looks gave") + " no score and " + (out.length === 1 ? "is" : "are") + " not in the file: "
      + [...reasons].map(([code, why]) => code + " (" + why + ")").join("; ") + ".") : "",
    rows ? button("save", "Save the scores (csv)", () => {
      saveFile(tableText(state, who), tableName(who), "text/csv");
      handed("saved", "Saved as " + tableName(who) + ".");
    }, look) : "",
    rows && canShare(file) ? button("share", "Share the scores", share) : "",
    rows ? make("p", {}, "On the computer, in the trial's folder: ", make("code", {}, "splitboard record " + tableName(who))) : "",
  ].filter(Boolean);
}

function handedWords(rows) {
  if (!rows) return "Nothing is scored yet, so there is nothing to hand over.";
  const all = count(rows, "mark", "marks") + " so far. ";
  if (!state.handed) return all + "Not handed over yet.";
  const when = "Handed over " + stamp(state.handed) + ". ";
  return all + when + (state.since ? count(state.since, "look was", "looks were") + " scored or changed since: hand over once more." : "Nothing has changed since.");
}

function share() {
  const file = new File([tableText(state, who)], tableName(who), { type: "text/csv" });
  navigator.share({ files: [file], title: "Scores" }).then(
    () => handed("shared", "Shared."),
    () => {
      $("said").textContent = "Nothing was shared.";
    });
}

function handed(how, words) {
  keep("handed", { how });
  draw();
  $("said").textContent = words;
}

function textField() {
  const text = make("textarea", { id: "text", readonly: true, rows: "6", spellcheck: "false", "aria-label": "The table as text" });
  text.value = tableText(state, who).slice(1);
  return make("details", {}, make("summary", {}, "The table as text, to copy"), text);
}

// --- afresh ---

function afreshParts() {
  if (!state.marks.size) return [make("p", {}, "Nothing is scored yet.")];
  if (tableRows(state, who).length && (!state.handed || state.since)) {
    return [make("p", {}, "Hand over first. Then all marks can be taken off this page.")];
  }
  return [make("p", {}, "All was handed over. The page can be emptied for a new beginning."), button("afresh", "Start afresh …", () => show("afresh"))];
}

function drawAfresh() {
  const marks = tableRows(state, who).length;
  const out = marksInOrder(state).filter((mark) => mark.cannot).length;
  const words = "This takes " + count(marks, "mark", "marks") + " of " + who + (out ? ", and " + count(out, "look", "looks") + " without a score," : "")
    + " off this page. Be sure that the file is on the computer.";
  return [head("Start afresh?"), make("p", {}, words), button("return", "Keep them", () => show("menu"), "main"),
    button("afresh-yes", "Take " + count(marks, "mark", "marks") + " away", once(() => {
      keep("afresh", {});
      show("start");
    }))];
}
