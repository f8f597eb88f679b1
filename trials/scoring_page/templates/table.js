// The table that is handed over: a row a value, in the order of the plan.

const COLUMNS = ["patch", "response", "value", "assessor", "stage", "repeat", "taken_at", "method", "note", "against"];
const NUMBER = /^ *[+-]?(\d+([.,]\d*)?|[.,]\d+)(e[+-]?\d+)? *$/i;
const PASSED_OVER = /^[\p{Cc}\p{Cf}\p{Zl}\p{Zp}\p{Zs}'"`´‘’‚‛“”„‟‹›«»＇＂]$/u;

function marksInOrder(state) {
  const planned = plan.rounds.flatMap((round) => round.items.map(keyOf)).filter((key) => state.marks.has(key));
  const others = [...state.marks.keys()].filter((key) => !planned.includes(key)); // of an earlier page for these boards
  return [...planned, ...others].map((key) => state.marks.get(key));
}

function tableRows(state, who) {
  return marksInOrder(state).filter((mark) => !mark.cannot).flatMap((mark) => {
    const { patch, stage, repeat, against } = mark.item;
    return Object.entries(mark.answers).map(([response, value]) => [
      patch, neutral(response), value, neutral(oneLine(who)), neutral(stage), repeat, mark.at, "by eye", neutral(oneLine(mark.note)), against || "",
    ]);
  });
}

function tableText(state, who) {
  return "\ufeff" + [COLUMNS, ...tableRows(state, who)].map((row) => row.map(cell).join(",") + "\r\n").join("");
}

function tableName(who) {
  const word = who.normalize("NFC").replace(/[^\p{L}\p{N}_]+/gu, "-").slice(0, 40).replace(/^[-_]+|[-_]+$/g, "");
  return "scores-" + (word || "assessor") + ".csv";
}

function oneLine(text) {
  return text.replace(/[\u0000-\u001f\u007f-\u009f\u2028\u2029]+/g, " ").trim();
}

// Text that no spreadsheet runs: an apostrophe in front of what it would take for a formula, and of such a part after
// a semicolon, which parts cells where the comma is the decimal sign. Plain numbers stay. (OWASP, CSV Injection.)
function neutral(text) {
  const parts = text.split(";");
  return parts.map((part, at) => (wouldRun(part, at > 0 || parts.length === 1) ? "'" + part : part)).join(";");
}

function wouldRun(text, whole) {
  for (const letter of text) {
    if ("=+-@\t\r\n＝＋－＠".includes(letter)) return !(whole && NUMBER.test(text));
    if (!PASSED_OVER.test(letter)) return false;
  }
  return false;
}
