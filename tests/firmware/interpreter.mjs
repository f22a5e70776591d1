// A MicroPython interpreter with the probe's modules in its flash, driven by JSON lines: one request, one answer.
// {"run": CODE} runs code and answers {"value": repr of `_`} or {"error": text}; what is defined stays.
// {"boot": SCENE} starts the board afresh and runs main.py until it sleeps; flash stays, and its memory if power does.
import { randomBytes } from "node:crypto";
import fs from "node:fs";
import path from "node:path";
import readline from "node:readline";
import { loadMicroPython } from "@micropython/micropython-webassembly-pyscript";

// What an ESP32 without more memory has to spare for a program, about (from memory); it has more, so this is strict.
const HEAP_BYTES = 96 * 1024;
const [probe, board] = process.argv.slice(2);
const flash = new Map(); // path on the board to its bytes
const log = [];
const device = { memory: "", poweredMs: 0, shiftS: 0 };
let scene, startedMs, passedMs, lines, slept, convertedMs, fedMs, watchdogMs, pins;

const elapsedMs = () => passedMs + (scene.live ? Math.round(performance.now() - startedMs) : 0);
const trueMs = () => scene.true_ms + elapsedMs();

const bridge = {
  board_s: () => Math.floor(((trueMs() - device.poweredMs) * (scene.rate ?? 1)) / 1000) + device.shiftS,
  true_s: () => Math.floor(trueMs() / 1000),
  ticks_ms: elapsedMs,
  pass_ms(ms) {
    passedMs += ms;
    if (watchdogMs && elapsedMs() - fedMs > watchdogMs) throw new Error("the watchdog bites");
  },
  calendar(s) {
    const at = new Date(Date.UTC(2000, 0, 1) + s * 1000);
    const weekday = (at.getUTCDay() + 6) % 7;
    return [at.getUTCFullYear(), at.getUTCMonth() + 1, at.getUTCDate(), at.getUTCHours(), at.getUTCMinutes(),
      at.getUTCSeconds(), weekday, 1].join(" ");
  },
  set_clock(year, month, day, hour, minute, second) {
    const s = (Date.UTC(year, month - 1, day, hour, minute, second) - Date.UTC(2000, 0, 1)) / 1000;
    device.shiftS += s - bridge.board_s();
  },
  random: (count) => randomBytes(count).toString("hex"),
  watch(ms) { watchdogMs = ms; fedMs = elapsedMs(); },
  feed() { fedMs = elapsedMs(); },
  sleep(ms) { slept = ms; },
  memory: () => device.memory,
  set_memory(hex) { device.memory = hex; },
  pin: (number) => (number === 0 ? (scene.button ? 0 : 1) : 0),
  set_pin(number, level) { pins[number] = level; },
  converter_uv(number) {
    if (number === 34 && !pins[25]) return 0; // the moisture probe has no power
    const samples = scene.converter_uv[String(number)];
    samples.push(samples.shift());
    return samples.at(-1);
  },
  thermometers: () => JSON.stringify(scene.thermometers),
  is_wire_cut: () => Boolean(scene.wire_cut),
  convert() { convertedMs = elapsedMs() + 750; },
  is_converted: () => elapsedMs() >= convertedMs,
  has_air_sensor: () => Boolean(scene.air),
  air_answer: () => scene.air,
  has_wifi: () => scene.wifi,
  has_time_server: () => scene.time_server,
  radio(kind, on) { log.push(`radio ${kind} ${on ? "on" : "off"}`); },
  access_point(name, password) { log.push(`access point ${name} ${password.length}`); },
  dial(host, port) {
    log.push(`dial ${host}:${port}`);
    return lines.length ? lines.shift() : -1;
  },
  visitor: () => (scene.visitor && lines.length ? lines.shift() : -1),
  secured(host, authority) { log.push(`tls to ${host} by ${authority}`); },
  send(line, hex) {
    try { fs.writeSync(line, Buffer.from(hex, "hex")); } catch { return false; }
    return true;
  },
  receive(line, count) {
    const data = Buffer.alloc(count);
    try {
      return data.subarray(0, fs.readSync(line, data, 0, count)).toString("hex");
    } catch (error) {
      return error.code === "EAGAIN" ? "timeout" : "";
    }
  },
  hang_up(line) {
    if (line >= 0) fs.closeSync(line);
  },
};

async function interpreter(folders, heapsize) {
  const mp = await loadMicroPython({ linebuffer: true, stdout: (line) => log.push(line), heapsize });
  mp.registerJsModule("bridge", bridge);
  for (const folder of folders) {
    for (const name of fs.readdirSync(folder).filter((each) => each.endsWith(".py"))) {
      mp.FS.writeFile("/" + name, fs.readFileSync(path.join(folder, name)));
    }
  }
  for (const [file, bytes] of flash) {
    if (path.dirname(file) !== "/" && !mp.FS.analyzePath(path.dirname(file)).exists) mp.FS.mkdir(path.dirname(file));
    mp.FS.writeFile(file, bytes);
  }
  mp.runPython("import sys\nsys.path.insert(0, '/')");
  // What a board's `os` has and this one lacks.
  mp.runPython("import binascii, bridge, os\nos.urandom = lambda n: binascii.unhexlify(bridge.random(n))");
  return mp;
}

function keepFlash(mp) {
  flash.clear();
  const walk = (folder) => {
    for (const name of mp.FS.readdir(folder)) {
      if ([".", "..", "tmp", "home", "dev", "proc"].includes(name) || name.endsWith(".py")) continue;
      const file = path.posix.join(folder, name);
      if (mp.FS.isDir(mp.FS.stat(file).mode)) walk(file);
      else flash.set(file, mp.FS.readFile(file));
    }
  };
  walk("/");
}

async function boot(given) {
  scene = given;
  if (scene.power_came) Object.assign(device, { memory: "", poweredMs: scene.true_ms, shiftS: 0 });
  [startedMs, passedMs, lines, slept, convertedMs, fedMs, watchdogMs, pins] =
    [performance.now(), 0, [...(scene.lines ?? [])], null, Infinity, 0, 0, {}];
  if (scene.clock_anew) Object.assign(device, { poweredMs: scene.true_ms, shiftS: 0 });
  log.length = 0;
  const mp = await interpreter([probe, board], HEAP_BYTES);
  let failure = null;
  try {
    mp.runPython("exec(open('/main.py').read(), {'__name__': '__main__'})");
  } catch (error) {
    if (error.type !== "SystemExit") failure = String(error.message);
  }
  keepFlash(mp);
  return { slept_ms: slept, awake_ms: elapsedMs(), pins, log: [...log], failure, lines,
    flash: Object.fromEntries([...flash].map(([file, bytes]) => [file, Buffer.from(bytes).toString("base64")])) };
}

let bench; // the interpreter for {"run": ...}, without a board

async function run(code) {
  bench ??= await interpreter([probe], 1024 * 1024);
  try {
    bench.runPython("_ = None\n" + code + "\n_ = repr(_)");
    return { value: bench.globals.get("_") };
  } catch (error) {
    return { error: String(error.message).trim() };
  }
}

for await (const line of readline.createInterface({ input: process.stdin })) {
  const request = JSON.parse(line);
  if (request.put) for (const [file, text] of Object.entries(request.put)) flash.set(file, Buffer.from(text, "base64"));
  const answer = request.boot ? await boot(request.boot) : request.run ? await run(request.run) : {};
  process.stdout.write(JSON.stringify(answer) + "\n");
}
