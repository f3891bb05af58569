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
  const line = element("div", { class: named ? "line tall" : "line" }, name, group);
  const update = (now, asked) => {
    buttons.forEach((one, which) => one.setAttribute("aria-pressed", String(now.grade === now.grades[which].grade)));
    if (asked) name.setAttribute("aria-current", "step");
    else name.removeAttribute("aria-current");
  };
  return { line, update };
}

/** What the grades of each scale mean, and their keys; grades that are words need no other. */
function scaleLegends(steps) {
  const told = new Map();
  for (const { kind, scale, grades, heading, side } of steps) {
    if (kind !== "scale" || told.has(scale)) continue;
    const rows = grades.map(({ grade, words }, which) => `${GRADE_KEYS[which].toUpperCase()}  ${grade === words ? "" : `${grade}  `}${words}`);
    const title = heading.slice(side.length + 1);
    const isPlain = grades.every(({ grade, words }) => grade === words);
    told.set(scale, isPlain ? null : element("p", { class: "legend" }, [title, ...rows].join("\n")));
  }
  return [...told.values()].filter(Boolean);
}
