// What a line of the scoring page's log may hold. Every line says who scored.

const KINDS = {
  begin: (e) => isText(e.who) && isText(e.stage),
  draft: (e) => isText(e.who) && isItem(e.item) && isAnswers(e.answers, /^[^]{0,40}$/) && isRemark(e),
  mark: (e) => isText(e.who) && isItem(e.item) && isAnswers(e.answers, /^\d{1,3}(\.5)?$/) && isRemark(e) && isText(e.to),
  go: (e) => isText(e.who) && isText(e.to),
  rested: (e) => isText(e.who) && isText(e.stage) && Number.isSafeInteger(e.after),
  handed: (e) => isText(e.who) && isText(e.how),
  afresh: (e) => isText(e.who),
};

function isItem(item) {
  return typeof item === "object" && item !== null && [item.stage, item.choice].every(isText)
    && [item.patch, item.against, item.repeat].every(Number.isSafeInteger);
}

function isAnswers(answers, allowed) {
  return typeof answers === "object" && answers !== null && !Array.isArray(answers)
    && Object.values(answers).every((value) => isText(value) && allowed.test(value));
}

function isRemark(e) {
  return isText(e.note) && typeof e.cannot === "boolean";
}
