import { describe, expect, test } from "vitest";
import type { Appraisal, FactField, LifeMark, Line, Measure, Station } from "../api/schema";
import { actionFor, chord, reachable, writtenKeys, type Action, type Scope } from "./actions";
import { cautionTopic, cutDepth, cutLine, depthsShown, foldRows, inOrder, labelDepth, shortLimit, tableRows, type TableRow } from "./comparison";
import { typedDate } from "./dates";
import { changedFact, sameFact, factOf, typedNumber } from "./facts";
import { briefReason, dateWords, digits, intervalWords, plainZero, spoken, unitWords, valueWords } from "./format";
import { begun, redone, stepped, undone } from "./history";
import { importOrder } from "./imports";
import { beginning, yearOf, yearsToShow } from "./life";
import { cautionSource, countWords, limitStatus } from "./limits";
import { nextPath } from "./next";
import { pathOfRoute, routeOf, type Route } from "./routes";
import { findingOf, levelAndFamily, missingToSign, stoppedBy, stopWords } from "./signing";
import { stationNotes, along, stationPath } from "./stations";

const why = { title: "", sentence: "", rows: [] };
const number = (part: Partial<Measure>): Measure => ({ key: "k", label: "offset", value: 1, low: null, high: null, unit: "mm", decimals: 1, signed: false, kind: "measured", reason: null, note: null, why, ...part });

describe("how a number reads", () => {
  test("a true minus, a plus on a change, the same decimals for value and interval", () => {
    const n = number({ value: -4.25, low: -6.1, high: 2.34, signed: true });
    expect(valueWords(n)).toBe("\u22124.3");
    expect(intervalWords(n)).toBe("\u22126.1 to 2.3");
    expect(digits(2.3, 1, true)).toBe("+2.3");
  });
  test("nothing is minus zero", () => {
    expect(digits(-0.04, 1, true)).toBe("0.0");
    expect(digits(0, 0, true)).toBe("0");
  });
  test("nor in the words of a detail", () => {
    expect(plainZero("femur −1.0, cup −0.0, now +1.7")).toBe("femur −1.0, cup 0.0, now +1.7");
    expect(plainZero("cup −0.05, femur +0")).toBe("cup −0.05, femur 0");
  });
  test("a reason is said more plainly rather than cut", () => {
    expect(briefReason("Does not apply: at this level the neck is gone.", 20)).toBe("does not apply");
    expect(briefReason("No dead bone is outlined on either film. Outline it.", 20)).toBe("no value");
  });
  test("without an interval it says how it is known", () => {
    expect(intervalWords(number({ kind: "by_definition" }))).toBe("by definition");
    expect(intervalWords(number({ kind: "counted" }))).toBe("counted");
  });
  test("a missing value is said with its reason, never as zero", () => {
    const n = number({ value: null, kind: "missing", reason: "needs a scale" });
    expect(valueWords(n)).toBeNull();
    expect(spoken(n)).toBe("offset: no value. needs a scale");
  });
  test("spoken with its interval", () => {
    expect(spoken(number({ low: 0.5, high: 1.5, note: "57 % of the head is marked." }))).toBe("offset 1.0 mm, 95 % interval 0.5 to 1.5. 57 % of the head is marked.");
    expect(spoken(number({ value: 42.6, low: 40.9, high: 44.3 }))).toBe("offset 42.6 mm, 95 % interval 40.9 to 44.3");
  });
  test("a date of birth is not moved by a time zone", () => {
    expect(dateWords("1992-03-14")).toBe("14 Mar 1992");
    expect(dateWords("1992-01-01T00:00:00Z")).toBe("1 Jan 1992");
    expect(dateWords(null)).toBe("");
  });
});

describe("typed dates", () => {
  test.each([
    ["9 Nov 2026", "2026-11-09"],
    ["9.11.2026", "2026-11-09"],
    ["2026-11-09", "2026-11-09"],
    ["9 november 26", "2026-11-09"],
    ["25/11/2026", "2026-11-25"],
    ["", null],
  ])("%s", (text, date) => expect(typedDate(text)).toEqual({ date, wrong: null }));
  test("a date that reads two ways is refused", () => {
    expect(typedDate("11/09/2026").wrong).toMatch(/two ways/);
    expect(typedDate("11/11/2026").date).toBe("2026-11-11");
  });
  test("a day that is not in the calendar is refused", () => {
    expect(typedDate("31 Feb 2026").wrong).toMatch(/calendar/);
    expect(typedDate("soon").wrong).toMatch(/not a date/);
  });
});

describe("actions", () => {
  const run = (): void => undefined;
  const action = (id: string, keys: string[], part: Partial<Action> = {}): Action => ({ id, title: id, keys, run, ...part });
  const press = (key: string, shiftKey = false) => ({ key, shiftKey, ctrlKey: false, altKey: false, metaKey: false });
  const free = { typing: false, onControl: false };
  const page: Scope = { name: "page", actions: [action("undo", ["u"]), action("redo", ["Shift+U"]), action("place", [], { violet: true }), action("next", ["ArrowRight"])] };
  const slip: Scope = { name: "slip", actions: [action("close", ["Escape"], { whileTyping: true }), action("nudge", ["ArrowRight"])] };

  test("the topmost scope that wants a key gets it", () => {
    expect(actionFor([page, slip], press("ArrowRight"), free)?.id).toBe("nudge");
    expect(actionFor([page], press("ArrowRight"), free)?.id).toBe("next");
  });
  test("capitals and Shift are told apart", () => {
    expect(actionFor([page], press("U", true), free)?.id).toBe("redo");
    expect(actionFor([page], press("u"), free)?.id).toBe("undo");
    expect(chord(press("?", true))).toBe("?");
  });
  test("Enter does the violet thing, but not on a button that has its own Enter", () => {
    expect(actionFor([page], press("Enter"), free)?.id).toBe("place");
    expect(actionFor([page], press("Enter"), { typing: false, onControl: true })).toBeNull();
  });
  test("letters typed into a field do nothing; Escape still closes", () => {
    const typing = { typing: true, onControl: true };
    expect(actionFor([page, slip], press("u"), typing)).toBeNull();
    expect(actionFor([page, slip], press("Escape"), typing)?.id).toBe("close");
  });
  test("an open panel keeps keys from the page below", () => {
    const panel: Scope = { ...slip, alone: true };
    expect(actionFor([page, panel], press("u"), free)).toBeNull();
    expect(reachable([page, panel]).map((group) => group.scope)).toEqual(["slip"]);
  });
  test("keys as people read them", () => {
    expect(writtenKeys(action("a", ["Shift+U", "ArrowLeft"]))).toEqual(["Shift U", "←"]);
    expect(writtenKeys(action("b", [], { violet: true }))).toEqual(["Enter"]);
    expect(writtenKeys(action("c", ["1"], { written: "1–4" }), "foot")).toEqual(["1–4"]);
    expect(writtenKeys(action("c", ["1"], { written: "1–4" }))).toEqual(["1"]);
  });
});

describe("addresses", () => {
  const routes: Route[] = [
    { page: "patients" },
    { page: "limits" },
    { page: "hip", hip: "a b/c" },
    { page: "film", hip: "h", film: "f/1" },
    { page: "reading", hip: "h", film: "f" },
    { page: "comparison", hip: "h" },
    { page: "placement", hip: "h" },
    { page: "signature", hip: "h" },
    { page: "films", hip: "h" },
  ];
  test.each(routes)("$page goes there and back", (route) => expect(routeOf(pathOfRoute(route))).toEqual(route));
  test.each(["/hip", "/hip/h/film", "/hip/h/elsewhere", "/x", "/hip/%E0%A4%A"])("%s leads nowhere or to a hip, never throws", (path) => {
    expect(["nowhere", "hip"]).toContain(routeOf(path).page);
  });
});

describe("the line", () => {
  const station = (key: Station["key"], open: boolean, film_id: string | null = null, scan_id: string | null = null): Station => ({ key, title: key, note: "", state: "done", open, film_id, scan_id });
  const stations = [station("film", true, "f1"), station("reading", false, "f1"), station("comparison", true), station("operation", true)];
  test("skips what cannot be visited", () => {
    expect(along("h", stations, "film", 1)).toBe("/hip/h/comparison");
    expect(along("h", stations, "comparison", -1)).toBe("/hip/h/film/f1");
  });
  test("before the first station lies the hip itself; after the last, nothing", () => {
    expect(along("h", stations, "film", -1)).toBe("/hip/h");
    expect(along("h", stations, null, 1)).toBe("/hip/h/film/f1");
    expect(along("h", stations, null, -1)).toBeNull();
    expect(along("h", stations, "comparison", 1)).toBeNull();
  });
  test("a film station without a film is closed, a scan station without a scan too", () => {
    expect(stationPath("h", station("film", true))).toBeNull();
    expect(stationPath("h", station("scan", true))).toBeNull();
  });
  test("a scan has a page of its own, the stock one a hip", () => {
    expect(stationPath("h", station("scan", true, null, "s 1"))).toBe("/hip/h/scan/s%201");
    expect(stationPath("h", station("stock", true, null, "s1"))).toBe("/hip/h/stock");
  });
  test("the next step leads to its page", () => {
    expect(nextPath("h", { page: "film", film_id: "f" })).toBe("/hip/h/film/f");
    expect(nextPath("h", { page: "scan", scan_id: "s1" })).toBe("/hip/h/scan/s1");
    expect(nextPath("h", { page: "stock" })).toBe("/hip/h/stock");
    expect(nextPath("h", { page: "sheet", film_id: null, scan_id: null })).toBe("/hip/h/signature");
    expect(nextPath("h", { page: "facts", film_id: null, scan_id: null })).toBe("/hip/h");
  });
});

describe("a life on a ruler", () => {
  const mark = (on: string): LifeMark => ({ kind: "seen", on, words: "" });
  test("years are calendar years", () => {
    expect(yearOf("2026-01-01")).toBe(2026);
    expect(yearOf("2026-07-02")).toBeCloseTo(2026.4986, 3);
    expect(yearOf("2024-12-31")).toBeCloseTo(2024 + 365 / 366, 9);
  });
  test("the ruler holds every mark and today", () => {
    const { from, to } = yearsToShow([mark("2011-05-01"), mark("2038-12-30")], "2026-11-25");
    expect(from).toBe(2011);
    expect(to).toBeGreaterThan(2038);
  });
  test("a hip without marks begins today", () => expect(beginning([], "2026-11-25")).toBe(yearOf("2026-11-25")));
});

describe("facts", () => {
  const field: FactField = { key: "weight_kg", label: "weight", unit: "kg", form: "number", choices: null, value: null, on: null, source: null, per_patient: true, says: "" };
  test("a comma is a decimal point; words are refused with a reason", () => {
    expect(typedNumber("78,5").value).toBe(78.5);
    expect(typedNumber("\u22120.8").value).toBe(-0.8);
    expect(typedNumber("heavy")).toEqual({ value: null, wrong: "“heavy” is not a number" });
    expect(typedNumber("1.2.3").wrong).not.toBeNull();
    expect(typedNumber(" ").wrong).toBeNull();
  });
  test("a first value is dated today, an older date stays", () => {
    expect(changedFact(field, { value: 78 }, "2026-11-25").on).toBe("2026-11-25");
    expect(changedFact({ ...field, value: 70, on: "2020-01-01" }, { value: 78 }, "2026-11-25").on).toBe("2020-01-01");
  });
  test("an emptied fact keeps neither date nor source", () => {
    expect(changedFact({ ...field, value: 70, on: "2020-01-01", source: "clinic" }, { value: null }, "2026-11-25")).toEqual({ value: null, on: null, source: "" });
  });
  test("no and not known are two things", () => {
    expect(changedFact({ ...field, form: "yes_no" }, { value: false }, "2026-11-25").value).toBe(false);
  });
  test("nothing changed is the same fact", () => expect(sameFact(factOf(field), changedFact(field, {}, "2026-11-25"))).toBe(true));
});

describe("the comparison's table", () => {
  const line = (key: string, group: string, words: string | null): Line => ({ group, number: number({ key, label: key }), limit: words === null ? null : { state: "within", low: null, high: 1, words, source: "", status: "published", edited_by: null }, text: null, detail: null });
  const level = (name: Appraisal["placement"]["level"], lines: Line[], cut: number): Appraisal =>
    ({ placement: { level: name }, lines, drawing_neck: { frame: "neck", shapes: [{ role: "cut", points: [[-20, cut], [20, cut]], closed: false, label: null }] } }) as unknown as Appraisal;
  const levels = [level("low_neck", [line("wall", "Seat", "≥ 2.0 mm")], 58), level("head_surface", [line("kept", "Bone", null), line("wall", "Seat", "≥ 2.0 mm")], 5)];
  test("levels stand from most to least bone kept, whatever order they came in", () => {
    expect(inOrder(levels).map((one) => one.placement.level)).toEqual(["head_surface", "low_neck"]);
  });
  test("rows keep the server's order; a level without the line has an empty cell", () => {
    const rows = tableRows({ rows: ["kept", "wall", "unknown"], levels });
    expect(rows.map((row) => row.key)).toEqual(["kept", "wall"]);
    expect(rows[0]?.cells[1]).toBeNull();
    expect(rows.map((row) => row.first)).toEqual([true, true]);
    expect(rows[1]?.limit).toBe("≥ 2.0");
  });
  test("limits that differ between levels are not written as one", () => {
    const rows = tableRows({ rows: ["wall"], levels: [levels[0] as Appraisal, level("head_surface", [line("wall", "Seat", "≥ 1.5 mm")], 5)] });
    expect(rows[0]?.limit).toBe("by level");
  });
  test("the staircase shows every cut", () => {
    expect(cutDepth(levels[0] as Appraisal)).toBe(58);
    expect(depthsShown(levels).to).toBeGreaterThan(58);
  });
  test("a caution's topic is its words before the explanation, cut at a word", () => {
    expect(cautionTopic("Renal impairment: metal ions are cleared by the kidneys.")).toBe("Renal impairment");
    expect(cautionTopic("Head below 50 mm")).toBe("Head below 50 mm");
    expect(cautionTopic("Weight below 82 kg counts as a risk in the surface arthroplasty risk index. More.")).toBe("Weight below 82 kg counts as a risk in the surface arthroplasty risk index");
    const long = cautionTopic(`${"many words ".repeat(12)}: more`);
    expect(long).toMatch(/^many words .* …$/);
    expect(long.length).toBeLessThanOrEqual(98);
  });
  test("a unit is not said twice", () => expect(shortLimit("at least 2.0 mm", "mm")).toBe("≥ 2.0"));
  test("a limit in a column's width: its sign, and ± where both ends are alike", () => {
    expect(shortLimit("at most 33 %", "%")).toBe("≤ 33");
    expect(shortLimit("−5 to 5 mm", "mm")).toBe("± 5");
    expect(shortLimit("−5 to 10 deg", "deg")).toBe("−5 to 10");
  });
  test("a unit with a power stands as the server writes it", () => expect(shortLimit("at most 20 cm³", unitWords("cm3"))).toBe("≤ 20"));
  describe("rows that do not fit", () => {
    const row = (key: string, group: string, limited: boolean, values: readonly number[]): TableRow => ({
      key,
      group,
      first: true,
      label: key,
      unit: "mm",
      limit: "",
      cells: values.map((value) => ({ group, number: number({ key, value }), limit: limited ? { state: "within" as const, low: null, high: 1, words: "at most 1", source: "", status: "published" as const, edited_by: null } : null, text: null, detail: null })),
    });
    const rows = [row("a", "Bone", true, [1, 1]), row("lesion_left_cm3", "Bone", false, [1, 2]), row("b", "Seat", false, [3, 3]), row("c", "Seat", true, [4, 5])];
    test("all stand while there is room", () => expect(foldRows(rows, 4)).toEqual({ shown: rows, folded: 0 }));
    test("the ones that say the same go first, then those that can be spared; a line is kept to say so", () => {
      expect(foldRows(rows, 3).shown.map(({ key }) => key)).toEqual(["a", "c"]);
      expect(foldRows([...rows, row("d", "Leg", true, [1, 2])], 5).folded).toBe(0);
    });
    test("a row with a limit is never folded", () => {
      expect(foldRows(rows, 0).shown.map(({ key }) => key)).toEqual(["a", "c"]);
    });
    test("a group keeps its name on its first row left", () => {
      const left = foldRows([row("b", "Seat", false, [3, 3]), row("c", "Seat", true, [4, 5]), row("a", "Bone", true, [1, 1])], 2).shown;
      expect(left.map(({ key, first }) => [key, first])).toEqual([["c", true], ["a", true]]);
    });
  });
});

describe("limits in words", () => {
  test("worst first, nothing that is zero, never a score", () => {
    expect(countWords({ within: 2, outside: 3, near: 0, not_known: 1 }).map(({ words }) => words)).toEqual(["3 outside", "1 not known", "2 within"]);
  });
  test("how well it is known, said once", () => {
    expect(limitStatus({ status: "published", source: "Doe 2015", year: 2015, edited_by: "Dr A" })).toBe("published, Doe 2015; set by Dr A");
    expect(limitStatus({ status: "common_practice", source: "common practice, no source", edited_by: null })).toBe("common practice, no source");
    expect(limitStatus({ status: "unset", source: "", edited_by: null })).toBe("unset: the hospital decides");
    expect(cautionSource({ source: "Doe 2012", status: "from_memory" })).toBe("Doe 2012, from memory, to be checked");
  });
});

describe("undo", () => {
  test("goes back, forward, and a new step forgets the future", () => {
    const three = stepped(stepped(begun(1), 2), 3);
    expect(undone(three).now).toBe(2);
    expect(redone(undone(three))).toEqual(three);
    expect(redone(stepped(undone(three), 4)).now).toBe(4);
    expect(undone(begun(1)).now).toBe(1);
  });
});

describe("imports", () => {
  const line = (name: string, outcome: "imported" | "refused" | "set_aside" | "already_here") => ({ name, outcome, says: "", hip_id: null, film_id: null, scan_id: null });
  test("what wants an eye comes first; the rest as dropped", () => {
    const lines = [line("a", "imported"), line("b", "refused"), line("c", "imported")];
    expect(importOrder(lines).map(({ name }) => name)).toEqual(["b", "a", "c"]);
  });
});

describe("signing", () => {
  const page = { can_sign: true, overrides: [{ key: "wall", words: "" }] };
  const typed = { signer: "Dr A", side: "left", on: "2026-12-10", reasons: { wall: "trimmed" } };
  test("the closed button names the first thing missing", () => {
    expect(missingToSign(page, typed)).toBeNull();
    expect(missingToSign(page, { ...typed, reasons: { wall: "  " } })).toMatch(/reason/);
    expect(missingToSign(page, { ...typed, side: "" })).toMatch(/side/);
    expect(missingToSign(page, { ...typed, on: null })).toMatch(/day/);
    expect(missingToSign(page, { ...typed, signer: " " })).toMatch(/name/);
    expect(missingToSign({ ...page, can_sign: false }, typed)).toMatch(/check/);
  });
  test("a wrong side stands before every other stop", () => {
    const check = (guard: string, passed: boolean) => ({ guard, passed, title: guard, says: "", button: null, page: null, film_id: null, scan_id: null });
    expect(stoppedBy([check("stale images", false), check("wrong side", false), check("no scale", true)]).map((one) => one.guard)).toEqual(["wrong side", "stale images"]);
  });
});

describe("a refusal as it is shown", () => {
  test("its first sentence is the finding, the rest stands below", () => {
    expect(findingOf({ title: "A scale", says: "This film has no scale. Lengths would be pixels. Mark the ball." })).toEqual({
      finding: "This film has no scale.",
      rest: "Lengths would be pixels. Mark the ball.",
    });
  });
  test("a number's point ends no sentence, and nothing is lost", () => {
    const says = "The marker is 6.2 mm off, i.e. too far. Look at it.";
    const { finding, rest } = findingOf({ title: "", says });
    expect(finding).toBe("The marker is 6.2 mm off, i.e. too far.");
    expect(`${finding} ${rest}`).toBe(says);
  });
  test("a title that is a sentence is the finding", () => {
    expect(findingOf({ title: "The plan says right.", says: "Look." })).toEqual({ finding: "The plan says right.", rest: "Look." });
  });
});

describe("a tilted cut", () => {
  const level = (a: [number, number], b: [number, number]): Appraisal =>
    ({ placement: { level: "mid_head" }, lines: [], drawing_neck: { frame: "neck", shapes: [{ role: "cut", points: [a, b], closed: false, label: null }] } }) as unknown as Appraisal;
  test("is carried across its column at its own tilt", () => {
    expect(cutLine(level([-10, 30], [10, 28]), -30, 30)).toEqual([[-30, 32], [30, 26]]);
  });
  test("its label clears it whichever way it tilts", () => {
    expect(labelDepth([[-30, 32], [30, 26]], 10)).toBe(27);
    expect(labelDepth([[-30, 26], [30, 32]], 10)).toBe(32);
  });
  test("mirroring the picture mirrors the line", () => {
    const [one, two] = [cutLine(level([-10, 30], [10, 28]), -30, 30), cutLine(level([10, 30], [-10, 28]), -30, 30)];
    expect(two?.[0][1]).toBe(one?.[1][1]);
  });
  test("a cut along the neck axis has no line across it", () => expect(cutLine(level([0, 10], [0, 40]), -30, 30)).toBeNull());
});

describe("words over a stop, and over a plan", () => {
  const check = (guard: string) => ({ guard, title: "", says: "", passed: false, button: null, page: null, film_id: null, scan_id: null });
  test("a guard named after what is wanted says what is missing", () => {
    expect(stopWords(check("placement kept"))).toBe("Stopped: placement not kept yet");
    expect(stopWords(check("no scale"))).toBe("Stopped: no scale");
    expect(stopWords(check("wrong side"))).toBe("Stopped: the side does not agree");
  });
  test("a level is not said twice", () => {
    expect(levelAndFamily("Mid-head", "Mid-head bowl, size 4")).toBe("Mid-head bowl, size 4");
    expect(levelAndFamily("Low neck", "Standard stem, size 3")).toBe("Low neck: Standard stem, size 3");
  });
});

describe("notes of a long line", () => {
  test("say a year once, and leave other words alone", () => {
    const notes = ["9 Nov 2026", "10 Nov 2026", "mid-head", "3 Jan 2027", "4 Jan 2027", "", "", "", "lifelong"];
    expect(stationNotes(notes.map((note) => ({ note })))).toEqual(["9 Nov 2026", "10 Nov", "mid-head", "3 Jan 2027", "4 Jan", "", "", "", "lifelong"]);
  });
  test("are whole where there is room", () => expect(stationNotes([{ note: "9 Nov 2026" }, { note: "10 Nov 2026" }])).toEqual(["9 Nov 2026", "10 Nov 2026"]));
});
