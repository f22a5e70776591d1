import assert from "node:assert/strict";
import { afterEach, test } from "node:test";
import * as format from "../src/format.ts";
import { speak } from "../src/text/text.ts";
import { choose, chosen, fitting } from "../src/viewer.ts";
import { reads } from "./untied.ts";

const kept = new Map<string, string>();
Object.defineProperty(globalThis, "localStorage", {
  value: { getItem: (key: string) => kept.get(key) ?? null, setItem: (key: string, value: string) => kept.set(key, value) },
});

function metric(): void {
  choose("temperature", "C");
  choose("mass", "kg");
  choose("volume", "L");
  choose("clock", "locale");
  speak("en");
}
afterEach(metric);

test("language and units fit the browser's languages until the viewer chooses", () => {
  assert.deepEqual(fitting(["en-US", "en"]), { language: "en", temperature: "F", mass: "lb", volume: "gal", clock: "locale" });
  assert.deepEqual(fitting(["fr-FR", "de-AT"]), { language: "de", temperature: "C", mass: "kg", volume: "L", clock: "locale" });
  assert.equal(fitting([]).language, "en");
});

test("what was kept counts, and what is no choice is passed over", () => {
  const base = fitting([]);
  assert.deepEqual(chosen('{"temperature":"F","mass":"stone","x":1}', base), { ...base, temperature: "F" });
  for (const broken of [null, "{", "3", "null"]) assert.deepEqual(chosen(broken, base), base);
});

// NIST SP 811, appendix B: t/°F = 1.8 t/°C + 32; 1 lb = 0.45359237 kg; 1 US gal = 3.785411784 L, all exact.
test("values convert by the exact definitions, and back", () => {
  choose("temperature", "F");
  choose("mass", "lb");
  choose("volume", "gal");
  assert.equal(format.toShown(-40, "Cel"), -40);
  assert.equal(format.toShown(100, "Cel"), 212);
  assert.equal(format.toShown(1, format.DIFFERENCE), 1.8);
  assert.ok(Math.abs(format.toShown(0.45359237, "kg") - 1) < 1e-12);
  assert.ok(Math.abs(format.fromShown(1, "l") - 3.785411784) < 1e-12);
  for (const unit of ["Cel", "Cel/h", "kg", "l", "%"]) assert.ok(Math.abs(format.fromShown(format.toShown(7.3, unit), unit) - 7.3) < 1e-12);
  reads(format.reading(21.43, "temperature", "Cel"), "70.6 °F");
  reads(format.amount(2, "kg"), "4.4 lb");
  reads(format.limitValue({ name: "temp_high_c", unit: "Cel", value: 30 }), "86 °F");
  reads(format.limitValue({ name: "temp_deadband_c", unit: "Cel", value: 1 }), "1.8 °F");
});

test("sentences of the service speak the viewer's units", () => {
  const words = "Sprinkle 3.6 L, take 0.2 kg out at −18 °C; 76 % in 4 h, 3 cm deep";
  reads(format.inUnits(words), words);
  choose("temperature", "F");
  choose("mass", "lb");
  choose("volume", "gal");
  reads(format.inUnits(words), "Sprinkle 0.95 gal, take 0.44 lb out at 0 °F; 76 % in 4 h, 3 cm deep");
  reads(format.inUnits("0.0 kg is left"), "0 lb is left");
});

test("the clock follows the viewer, and the decimals the language", () => {
  const at = Date.parse("2026-11-25T15:04:00Z");
  choose("clock", "24");
  assert.equal(format.time(at, at, "UTC", "en-US"), "15:04");
  choose("clock", "12");
  assert.match(format.time(at, at, "UTC", "en-GB"), /^0?3:04\spm$/i);
  speak("de");
  reads(format.reading(21.43, "temperature", "Cel"), "21,4 °C");
  reads(format.amount(0.25, "kg"), "0,25 kg");
});

test("a rate is told in the viewer's language", () => {
  choose("temperature", "F");
  speak("de");
  assert.deepEqual([format.unitSign("1/h"), format.unitSign("Cel/h")], ["pro h", "°F pro h"]);
  speak("en");
  assert.equal(format.unitSign("1/h"), "per h");
});
