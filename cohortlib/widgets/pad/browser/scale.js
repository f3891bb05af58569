// Scales that a hip is graded by: a line for each part, with a button for each grade.

/** The keys of the grades, in the order of the buttons. Digits would be taken for the grades themselves. */
const GRADE_KEYS = [..."abcdef"];

/** What a button shows: the grade; of a film that does not show it, the sign that zones have for it. */
function gradeSign(grade) {
  return STATE_GLYPHS[grade] || grade;
}

function scaleLine(pad, step, place) {
  const key = { side: step.side, scale: step.scale, part: step.part };
  const buttons = step.grades.map(({ grade, words }, which) => button(gradeSign(grade), () => pad.gradeScale(key, grade),
    { "aria-label": `${step.words}: ${words}`, title: `${words} (${GRADE_KEYS[which].toUpperCase()})`, "aria-keyshortcuts": GRADE_KEYS[which].toUpperCase() }));
  const group = element("span", { class: "states grades", role: "group", "aria-label": step.words }, ...buttons);
  const named = step.words !== step.heading; // a scale without parts has its name above it
  const name = button(named ? step.part : "▸", () => pad.link.ask("choose", { step: place }), { class: named ? "part" : "zone", "aria-label": step.words });
  const line = element("div", { class: named ? "line tall" : "line short" }, name, group, scaleLegend(step));
  const update = (now, asked) => {
    buttons.forEach((one, which) => one.setAttribute("aria-pressed", String(now.grade === now.grades[which].grade)));
    if (asked) name.setAttribute("aria-current", "step");
    else name.removeAttribute("aria-current");
  };
  return { line, update };
}

/** Keys and meaning of the grades, seen while the line is asked for; the buttons say both to who cannot see them. */
function scaleLegend({ grades }) {
  const rows = grades.map(({ grade, words }, which) => {
    const sign = gradeSign(grade);
    return `${GRADE_KEYS[which].toUpperCase()}  ${sign === words ? "" : `${sign}  `}${words}`;
  });
  const isPlain = grades.every(({ grade, words }) => grade === words);
  return element("p", { class: "legend", "aria-hidden": "true" }, rows.join(isPlain ? "   " : "\n"));
}
