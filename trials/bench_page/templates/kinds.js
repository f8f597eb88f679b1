// What a line of the bench page's log may hold.

const KINDS = {
  begin: (e) => isAir(e) && ["C", "F"].includes(e.unit),
  air: isAir,
  tick: (e) => isText(e.step) && isText(e.line) && typeof e.on === "boolean" && typeof e.closing === "boolean",
  start: (e) => isTask(e.task),
  stop: (e) => isTask(e.task),
  skip: (e) => isTask(e.task) && isText(e.text),
  choose: (e) => isTask(e.task),
  note: (e) => isTask(e.task) && isText(e.text),
  close: () => true,
  undo: (e) => isText(e.of),
  restore: (e) => isText(e.of),
};

function isWithin(value, low, high) {
  return value === null || (typeof value === "number" && value >= low && value <= high);
}

function isAir(e) {
  return isWithin(e.temperature_c, -30, 60) && isWithin(e.humidity_pct, 0, 100);
}

function isTask(task) {
  return typeof task === "object" && task !== null && [task.key, task.step, task.piece, task.ends_with].every(isText)
    && Number.isSafeInteger(task.board) && Array.isArray(task.patches) && task.patches.every(Number.isSafeInteger)
    && (task.dwell_s === null || (Number.isFinite(task.dwell_s) && task.dwell_s > 0));
}
