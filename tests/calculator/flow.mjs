// A calculator under node, with the fetch that node has and no package: plan, hold, extend, fit.
//   node flow.mjs URL KEY SITE FAMILY
import { randomUUID } from "node:crypto";

const [url, key, site, family] = process.argv.slice(2);
const thou = (value) => ({ value, unit: "thou" });
const mm = (value) => ({ value, unit: "mm" });
const pause = (seconds) => new Promise((done) => setTimeout(done, seconds * 1000));

async function ask(method, path, body, headers = {}) {
  for (let attempt = 1; ; attempt += 1) {
    let response;
    try {
      response = await fetch(`${url}/api/v1${path}`, {
        method,
        headers: { Authorization: `Bearer ${key}`, "Content-Type": "application/json", ...headers },
        body: body === undefined ? undefined : JSON.stringify(body),
      });
    } catch (silence) {
      if (attempt === 6) throw silence;
      await pause(0.2 * 2 ** attempt);
      continue;
    }
    const said = await response.json();
    if (response.ok) return { said, tag: response.headers.get("ETag") };
    const again = [429, 503].includes(response.status) || said.type?.endsWith("/in-flight");
    if (!again || attempt === 6) throw new Error(`${response.status} ${said.type}: ${said.detail}`);
    await pause(Number(response.headers.get("Retry-After") ?? 1));
  }
}

// One key per act: whatever is sent again is the same act.
const write = (path, body, tag) =>
  ask("POST", path, body, { "Idempotency-Key": randomUUID(), ...(tag ? { "If-Match": tag } : {}) });

const valve = (label, least, most, passes, shim) => ({
  label,
  spec: { min: thou(least), max: thou(most) },
  clearance: { passes: thou(passes) },
  shim: shim ? { thickness: mm(shim), known_by: "measured" } : null,
});

const plan = (
  await ask("POST", "/plans", {
    site,
    family,
    valves: [valve("1-IN", "6", "10", "5", "2.650"), valve("1-EX", "10", "14", "12")],
  })
).said;
const lines = plan.valves
  .filter((each) => each.action === "stock")
  .map(({ label, shim }) => ({ label, family, bin: shim.from.bin, thickness: shim.thickness, condition: shim.condition }));
const held = await write("/holds", { site, reference: "node calculator", lines });
const extended = await write(`/holds/${held.said.id}/extend`, { expires_in: 600 }, held.tag);
const seen = await ask("GET", `/holds/${held.said.id}`);
if (seen.tag !== extended.tag) throw new Error("the hold is not as it was answered");
const fitted = await write(`/holds/${held.said.id}/fit`, {}, seen.tag);
const left = (await ask("GET", `/stock?site=${site}&family=${family}`)).said.items;
console.log(JSON.stringify({ actions: plan.valves.map((each) => each.action), hold: fitted.said, left }));
