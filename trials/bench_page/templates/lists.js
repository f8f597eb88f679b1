// What stands below: the last tap, what is open and done, saving, the end of a session.

// --- the last tap, the lists ---

function drawBack() {
  const { last, undone } = state;
  $("back-buttons").replaceChildren(...[
    last ? button("undo", "Undo: " + tapWords(last), once(() => tap("undo", { of: last.id }))) : null,
    undone ? button("restore", "Put back: " + tapWords(undone), once(() => tap("restore", { of: undone.id }))) : null,
  ].filter(Boolean));
}

function drawLists() {
  const open = stillOpen(state, plan);
  const done = finished(state).reverse();
  const next = nextTask(state, plan);
  $("rest-head").textContent = "Still to do (" + open.length + ")";
  $("rest-rows").replaceChildren(...open.map((task) => make("li", {},
    make("p", {}, make("strong", {}, capital(place(task))), " · ", task.step),
    task === next ? make("p", { class: "note" }, "This one is next.") : chooseButton(task, "Do this one next"))));
  $("done-head").textContent = "What was done (" + done.length + ")";
  $("done-rows").replaceChildren(...done.map((job) => make("li", {},
    make("p", {}, make("strong", {}, capital(place(job.task))), " · ", job.task.step),
    make("p", {}, doneWords(job)),
    noteParts(job.task, "done"),
    job.skip && plan.tasks.some((task) => task.key === job.task.key) ? chooseButton(job.task, "Do it after all") : null)));
}

function chooseButton(task, words) {
  const choose = button("choose " + task.key, words, once(() => {
    tap("choose", { task });
    $("next-head").focus();
  }));
  choose.setAttribute("aria-label", words + ": " + task.step + ", " + place(task));
  return choose;
}

function doneWords(job) {
  if (job.skip) return "Skipped " + timeOfDay(job.skip.ms) + ": " + job.skip.text;
  const lasted = Math.round((job.stop.ms - job.start.ms) / 1000);
  const dwell = job.task.dwell_s === null ? "" : ", asked for " + clock(Math.round(job.task.dwell_s));
  return timeOfDay(job.start.ms) + " to " + timeOfDay(job.stop.ms) + " (" + (lasted < 0 ? "clock set back" : clock(lasted)) + dwell + ")";
}

// --- saving ---

function fileName(what, ending) {
  return what + "-" + rfc3339(Date.now()).slice(0, 16).replace(":", "").replace("T", "-") + ending;
}

function save(text, name, type) {
  saveFile(text, name, type);
  $("saved").textContent = "Saved as " + name + ".";
}

function tableFile() {
  return new File([tableText(state)], fileName("conditions", ".csv"), { type: "text/csv" });
}

function share() {
  navigator.share({ files: [tableFile()], title: "Bench times: " + plan.title }).then(
    () => {
      $("saved").textContent = "Shared.";
    },
    () => {
      $("saved").textContent = "Nothing was shared.";
    });
}

function drawKeep() {
  const done = finished(state).length;
  const busy = running(state).length;
  $("keep-text").value = tableText(state);
  $("keep-card").replaceChildren(...[
    make("p", {}, done ? "On the computer, take the file in with splitboard record. Best once, at the end of a session." : "Nothing is done yet, so there is nothing to save."),
    busy ? make("p", {}, busy + (busy === 1 ? " task is" : " tasks are") + " still running and will be in the file once stopped.") : null,
    done ? button("save", "Save the table (csv)", () => save(tableText(state), fileName("conditions", ".csv"), "text/csv")) : null,
    done && canShare(tableFile()) ? button("share", "Share the table", share) : null,
    log.entries.length ? button("save-log", "Save every tap (log)", () => save(log.text(), fileName("bench-log", ".jsonl"), "application/x-ndjson")) : null,
  ].filter(Boolean));
}

// --- the end of a session ---

function drawSession() {
  $("session").hidden = !state.session;
  if (!state.session) return;
  const lines = closingLines(state, plan);
  const open = lines.filter(({ step, line }) => unticked(state, step, true).includes(line)).length;
  const busy = running(state).length;
  const close = button("close", "Close the session", once(() => {
    tap("close", {});
    $("next-head").focus();
  }), "main");
  close.disabled = open > 0 || busy > 0;
  if (close.disabled) close.setAttribute("aria-describedby", "close-why");
  const why = busy ? "Stop what is running first." : "Tick the line above first.";
  $("session-card").replaceChildren(...[
    make("p", {}, "Begun " + timeOfDay(state.session.ms) + "."),
    lines.length && !busy ? tickList(lines[0].step, lines.map(({ line }) => line), true, "Before you leave the shop:") : null,
    close.disabled ? make("p", { id: "close-why", class: "wait" }, why) : null,
    close,
  ].filter(Boolean));
}
