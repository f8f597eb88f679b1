// What the page asks for: temperature and humidity, and the task that comes next with its lines, reason and note.

// --- temperature and humidity ---

function airDue(now) {
  return !state.session || !state.air || now - state.air.ms >= AIR_LASTS_MS;
}

function drawAir() {
  const begins = !state.session;
  $("air").hidden = !airDue(Date.now());
  $("air-head").textContent = begins ? "Begin a session" : "How warm and damp is it now?";
  const unit = begins ? drafts.get("unit") || state.unit : state.unit;
  const unitField = make("fieldset", {}, make("legend", {}, "Thermometer in"), ...["C", "F"].map((one) => {
    const input = make("input", { type: "radio", name: "unit", id: "unit-" + one, value: one, checked: one === unit,
      onchange: () => drafts.set("unit", one) });
    return make("label", { class: "choice", for: "unit-" + one }, input, "°" + one);
  }));
  $("air-form").replaceChildren(...[
    begins ? unitField : null,
    field("temperature", begins ? "Temperature" : "Temperature in °" + unit),
    field("humidity", "Humidity in %"),
    fault ? make("p", { class: "fault", role: "alert", id: "air-fault" }, fault) : null,
    make("button", { type: "submit", id: "air-save", class: "main" }, begins ? "Begin the session" : "Keep these"),
    button("air-none", begins ? "Begin, not measured" : "Not measured", once(() => keepAir(null, null))),
  ].filter(Boolean));
}

function field(id, words) {
  const input = make("input", { type: "text", inputmode: "decimal", id, autocomplete: "off",
    "aria-describedby": fault ? "air-fault" : null, oninput: () => drafts.set(id, input.value) });
  input.value = drafts.get(id) || "";
  return make("label", { class: "field", for: id }, words, input);
}

function readNumber(id) {
  const text = (drafts.get(id) || "").trim().replace(",", ".").replace("−", "-");
  if (!text) return null;
  return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(text) ? Number(text) : NaN;
}

function submitAir(event) {
  event.preventDefault();
  const unit = state.session ? state.unit : drafts.get("unit") || state.unit;
  const typed = readNumber("temperature");
  const humidity = readNumber("humidity");
  const celsius = typed === null ? null : Math.round((unit === "F" ? (typed - 32) / 1.8 : typed) * 10) / 10;
  if (celsius === null || humidity === null) fault = "Give both numbers, or tap the button for not measured.";
  else if (!(celsius >= -30 && celsius <= 60)) {
    fault = "The temperature must be a number from " + (unit === "F" ? "-22 to 140 °F." : "-30 to 60 °C.");
  } else if (!(humidity >= 0 && humidity <= 100)) fault = "The humidity must be a number from 0 to 100.";
  else {
    keepAir(celsius, humidity);
    return;
  }
  drawAll();
}

function keepAir(temperature, humidity) {
  const values = { temperature_c: temperature, humidity_pct: humidity };
  const unit = drafts.get("unit") || state.unit;
  fault = "";
  ["temperature", "humidity", "unit"].forEach((id) => drafts.delete(id));
  if (state.session) tap("air", values);
  else tap("begin", Object.assign(values, { unit }));
  $("next-head").focus();
}

// --- what to do next ---

function drawNext() {
  const task = nextTask(state, plan);
  if (!task) {
    const words = running(state).length ? "Nothing more to start. Stop what is running." : "All is done.";
    $("next-card").replaceChildren(make("p", { class: "piece" }, words));
    return;
  }
  const step = stepOf(plan, task.step);
  const open = state.session ? unticked(state, step, false) : [];
  $("next-card").replaceChildren(...[
    make("p", { class: "step" }, capital(task.step)),
    make("p", { class: "piece" }, "Board " + task.board, make("span", {}, capital(task.piece))),
    task.carries ? make("p", { class: "carries" }, capital(task.carries)) : null,
    step.material ? make("p", {}, "Material: " + step.material) : null,
    step.note ? make("p", {}, step.note) : null,
    waitWords(task),
    state.session && !ticksDone(step) ? tickList(step, step.lines, false, "Tick these before the first start of this step. The maker's sheet and local rules come first.") : null,
    startParts(task, open.length),
    make("div", { class: "pair even" }, ...[noteParts(task, "next"), skipParts(task)].filter(Boolean)),
  ].filter(Boolean));
}

// Lines stay in sight until the step is begun in this session, so that a tick can be taken away again.
function ticksDone(step) {
  return !step.lines.length || (state.session.steps.has(step.name) && !unticked(state, step, false).length);
}

function waitWords(task) {
  const ready = earliest(state, plan, task);
  const left = ready.ms - Date.now();
  if (left <= 0) return null;
  return make("p", { class: "wait" }, make("strong", {}, "Not yet: "), "wait until " + timeOfDay(ready.ms) + " (" + lasting(left) + " more), " + ready.why + ".");
}

function startParts(task, open) {
  if (!state.session) return make("p", { class: "wait" }, "Begin a session above, then start.");
  const early = earliest(state, plan, task).ms > Date.now();
  const parts = [];
  if (task.dwell_s !== null) {
    parts.push(make("p", {}, "Tap Start when it is on. It runs ", make("strong", {}, clock(Math.round(task.dwell_s))), ", then " + (task.ends_with || "stop") + "."));
  }
  const start = button("start", early ? "Start early" : "Start", once(() => startTask(task)), "main huge");
  start.disabled = open > 0;
  if (open) {
    start.setAttribute("aria-describedby", "open-ticks");
    parts.push(make("p", { id: "open-ticks", class: "wait" }, open + (open === 1 ? " line" : " lines") + " still to tick."));
  }
  return make("div", {}, ...parts, start);
}

function tickList(step, lines, closing, words) {
  const whole = lines.filter((line) => line.whole);
  const ticks = lines.map((line, at) => {
    const id = (closing ? "close" : "tick") + at;
    const on = state.session.ticks.has(tickKey(step.name, line.name, closing));
    const input = make("input", { type: "checkbox", id,
      onchange: () => tap("tick", { step: step.name, line: line.name, on: input.checked, closing }) });
    input.checked = on;
    return make("label", { class: "tick", for: id }, input, make("strong", {}, line.name), make("span", {}, line.text));
  });
  return make("fieldset", { class: "ticks" }, make("legend", {}, words), ...ticks,
    whole.length ? make("details", {}, make("summary", {}, "All of it in full"),
      ...whole.map((line) => make("p", {}, make("strong", {}, line.name + ". "), line.whole))) : null);
}

function skipParts(task) {
  if (!state.session) return null;
  const shown = panel && panel.kind === "skip" && panel.key === task.key;
  if (!shown) return button("skip", "Skip", () => openPanel("skip", task.key));
  return writing("skip", task, "Why is it skipped?", "Skip", (text) => tap("skip", { task, text }), true);
}

function noteParts(task, where) {
  if (panel && panel.kind === "note " + where && panel.key === task.key) {
    return writing(panel.kind, task, "Note on " + place(task), "Keep the note", (text) => tap("note", { task, text }), false);
  }
  const job = state.jobs.get(task.key);
  const note = job && job.note ? make("p", { class: "note" }, "Note: " + job.note) : null;
  const words = job && job.note ? "Change note" : "Note";
  const open = button("note " + where + " " + task.key, words, () => openPanel("note " + where, task.key));
  open.setAttribute("aria-label", words + ": " + task.step + ", " + place(task));
  return make("div", { class: note ? "panel" : "" }, ...[note, open].filter(Boolean));
}

function openPanel(kind, key) {
  panel = { kind, key };
  drawAll();
  const box = $("writing");
  if (box) box.focus();
}

function writing(kind, task, words, keepWords, keep, needed) {
  const draft = kind + " " + task.key;
  const job = state.jobs.get(task.key);
  const box = make("textarea", { id: "writing", rows: "3", oninput: () => drafts.set(draft, box.value) });
  box.value = drafts.has(draft) ? drafts.get(draft) : kind === "skip" || !job ? "" : job.note;
  const fault = make("p", { class: "fault", role: "alert" });
  const leave = () => {
    panel = null;
    drafts.delete(draft);
  };
  return make("div", { class: "panel" },
    make("label", { class: "field", for: "writing" }, words, box), fault,
    button("writing-keep", keepWords, once(() => {
      const text = box.value.trim();
      if (needed && !text) {
        fault.textContent = "Write the reason first.";
        box.focus();
        return;
      }
      leave();
      keep(text);
    }), "main"),
    button("writing-leave", "Leave it", () => {
      leave();
      drawAll();
    }));
}
