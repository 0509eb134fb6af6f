// A bench of its own for one test: virtual bench, daemon and page, each a process, on free loopback ports, in a folder
// that is removed again. Programs are found through SOAKBENCH_BUILD.
import { execFile, spawn } from "node:child_process";
import { cpSync, existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";

const source = process.env.SOAKBENCH_SOURCE || join(dirname(fileURLToPath(import.meta.url)), "..", "..");
const build = process.env.SOAKBENCH_BUILD || join(source, "build");
export const TOKEN = "harrow-quay-demo-token";

export function program(name) {
  const places = { soakbenchd: "daemon", soakbench: "daemon/client", "soakbench-web": "daemon/web", "soakbench-virtual": "drivers/virtual" };
  return join(build, places[name], name);
}

export async function until(what, holds, milliseconds = 20000) {
  const end = Date.now() + milliseconds;
  for (;;) {
    const result = await holds();
    if (result) return result;
    if (Date.now() > end) throw new Error(`did not come about within ${milliseconds} ms: ${what}`);
    await new Promise((done) => setTimeout(done, 60));
  }
}

function begin(name, args, folder) {
  const child = spawn(program(name), args, { cwd: folder, stdio: ["ignore", "pipe", "pipe"] });
  child.said = "";
  child.stdout.on("data", (bytes) => { child.said += bytes; });
  child.stderr.on("data", (bytes) => { child.said += bytes; });
  child.ended = new Promise((done) => child.on("exit", (code, signal) => { child.over = true; done(code ?? signal); }));
  return child;
}

async function finish(child, signal = "SIGTERM") {
  if (!child || child.over) return;
  child.kill(signal);
  const late = setTimeout(() => child.kill("SIGKILL"), 8000);
  await child.ended;
  clearTimeout(late);
}

export class Bench {
  constructor(options) { this.options = options; }

  static async start(options = {}) {
    const bench = new Bench(options);
    bench.folder = mkdtempSync(join(tmpdir(), "soakbench-page-"));
    cpSync(join(source, "config", "examples"), join(bench.folder, "examples"), { recursive: true });
    cpSync(join(source, "config", "maps"), join(bench.folder, "maps"), { recursive: true });
    bench.name = options.name || "two-units";
    bench.config = join(bench.folder, "examples", `${bench.name}.yaml`);
    try {
      await bench.startVirtual();
      await bench.startDaemon();
      await bench.startWeb();
    } catch (error) {
      await bench.stop();
      throw error;
    }
    return bench;
  }

  async startVirtual() {
    const scenario = join(this.folder, "examples", `${this.name}-scenario.yaml`);
    const rate = String(this.options.rate || 60);
    writeFileSync(scenario, readFileSync(scenario, "utf8").replace(/port: 150\d\d/g, "port: 0").replace(/^rate: .*$/m, `rate: ${rate}`));
    const ready = join(this.folder, "ready");
    this.virtual = begin("soakbench-virtual", [scenario, "--rate", rate, "--ready-file", ready], this.folder);
    const text = await until("virtual bench ready", () => {
      if (this.virtual.over) throw new Error(this.virtual.said);
      return existsSync(ready) && /meters=/.test(readFileSync(ready, "utf8")) && readFileSync(ready, "utf8");
    });
    let config = readFileSync(this.config, "utf8").replace(/rate: \d+/, `rate: ${rate}`);
    for (const [, bus, place] of text.matchAll(/^(\w+)=(.+)$/gm))
      config = config.replace(new RegExp(`(name: ${bus}, .*?)(127\\.0\\.0\\.1:\\d+|port: [^,}]+)`), (_, head, was) => head + (was.startsWith("port") ? `port: ${place}` : `127.0.0.1:${place.split(":").pop()}`));
    writeFileSync(this.config, this.options.edit ? this.options.edit(config) : config);
  }

  async startDaemon() {
    this.daemon = begin("soakbenchd", ["--config", this.config], this.folder);
    await until("daemon answers", async () => {
      if (this.daemon.over) throw new Error(this.daemon.said);
      return (await this.cli(["status"])).code === 0;
    });
  }

  async serve(options) {
    const token = join(this.folder, "token");
    writeFileSync(token, TOKEN + "\n", { mode: 0o600 });
    const web = begin("soakbench-web", ["--config", this.config, "--token-file", token, ...options], this.folder);
    const found = await until("page served", () => {
      if (web.over) throw new Error(web.said);
      return /port (\d+)/.exec(web.said);
    });
    return { web, port: Number(found[1]), url: `http://127.0.0.1:${found[1]}` };
  }

  async startWeb() {
    Object.assign(this, await this.serve(["--listen", `127.0.0.1:${this.port || 0}`]));
  }

  // A second page beside the first, on another record.
  async startPageOf(journal) {
    this.other = await this.serve(["--journal", journal, "--listen", "127.0.0.1:0"]);
    return this.other.url;
  }

  stopDaemon(signal) { return finish(this.daemon, signal); }
  stopWeb(signal) { return finish(this.web, signal); }

  cli(args) {
    return new Promise((done) => {
      execFile(program("soakbench"), ["--config", this.config, ...args], { cwd: this.folder, timeout: 60000 },
        (error, out, err) => done({ code: error ? error.code ?? 1 : 0, out, err }));
    });
  }

  async must(args) {
    const answer = await this.cli(args);
    if (answer.code !== 0) throw new Error(`soakbench ${args.join(" ")}: ${answer.code}\n${answer.out}${answer.err}`);
    return answer.out;
  }

  async status() { return JSON.parse(await this.must(["status", "--json"])); }

  // Enters the unit's plate and its safety test.
  async enter(unit) {
    await this.must(["unit", "add", join(this.folder, "examples", "units", `${unit.toLowerCase()}.yaml`)]);
    await this.must(["unit", "inspect", unit, "--passed", "--reference", "HQ-T-77", "--who", "J. Example"]);
  }

  // Enters, rigs and starts; the bench must have been made ready once.
  async begin(channel, unit, words) {
    await this.enter(unit);
    await this.must(["rig", channel, "--who", "J. Example"]);
    await this.must(["rigged", channel, "--who", "J. Example"]);
    await this.must(["run", "start", channel, "--unit", unit, "--point", "1", "--start", "cold", "--control-at-maximum", "--accept", "time-to-open", "--who", "J. Example", "--confirm-setup", ...words]);
  }

  // All devices answer and the load controller's watchdog is proved.
  async ready() {
    await until("devices answer", async () => (await this.status()).devices.every((d) => d.up));
    await this.must(["watchdog", "prove", "bank", "--who", "J. Example"]);
    await until("watchdog proved", async () => (await this.status()).devices.some((d) => d.watchdog_proved));
  }

  async stop() {
    await finish(this.other?.web);
    await finish(this.web);
    await finish(this.daemon);
    await finish(this.virtual);
    if (process.env.SOAKBENCH_KEEP) console.log(`kept: ${this.folder}`);
    else rmSync(this.folder, { recursive: true, force: true });
  }
}
