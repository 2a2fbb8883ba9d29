// Sends one file in parts (tus resumable upload protocol 1.0.0). Where the connection breaks it asks how much has
// arrived and goes on there, for as long as the page stands open. The digest of the whole file goes with the last part.
import { Sha256 } from "./sha256.js";

const PART_BYTES = 4 * 1048576;
const LONGEST_WAIT_MS = 15000;
const PLAIN = { Accept: "application/json", "Tus-Resumable": "1.0.0" };

export class Refused extends Error {}

// `begun` is the address of what arrived of the file before; `tell(sent, words)` hears of every change.
export async function upload(file, { address, token, begun, tell }) {
  const hash = new Sha256();
  let [place, offset, hashed, tries, digest] = [begun, null, 0, 0, null];

  async function ask(method, to, headers, body) {
    const answer = await fetch(to, { method, body, headers: { ...PLAIN, "X-CSRFToken": token(), ...headers } });
    if (answer.ok) return answer;
    const said = await answer.json().catch(() => ({}));
    const words = said.message ?? `The server answered ${answer.status}.`;
    if ([400, 403, 412, 413, 415, 422].includes(answer.status)) throw new Refused(words);
    if (answer.status === 404) place = null;
    throw new Error(answer.status === 409 ? "Looking where it stands." : words);
  }

  async function hashUpTo(end) {
    while (hashed < end) {
      const next = Math.min(end, hashed + PART_BYTES);
      hash.update(new Uint8Array(await file.slice(hashed, next).arrayBuffer()));
      hashed = next;
    }
  }

  async function step() {
    if (!place) {
      const name = btoa(String.fromCharCode(...new TextEncoder().encode(file.name)));
      const made = await ask("POST", address, { "Upload-Length": file.size, "Upload-Metadata": `filename ${name}` });
      place = made.headers.get("Location");
      offset = 0;
    } else if (offset === null) {
      offset = Number((await ask("HEAD", place)).headers.get("Upload-Offset"));
      return;
    }
    const end = Math.min(file.size, offset + PART_BYTES);
    const headers = { "Content-Type": "application/offset+octet-stream", "Upload-Offset": offset };
    await hashUpTo(end);
    if (end === file.size) headers["Repr-Digest"] = `sha-256=:${btoa(String.fromCharCode(...(digest ??= hash.digest())))}:`;
    await ask("PATCH", place, headers, file.slice(offset, end));
    [offset, tries] = [end, 0];
  }

  do {
    try {
      await step();
      tell(offset, "");
    } catch (problem) {
      if (problem instanceof Refused) throw problem;
      offset = null;
      tell(null, problem instanceof TypeError ? "No connection. It goes on by itself when it is back." : problem.message);
      await backOnline(Math.min(LONGEST_WAIT_MS, 500 * 2 ** tries++));
    }
  } while (offset !== file.size);
  await hashUpTo(file.size);
  return [...(digest ?? hash.digest())].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

function backOnline(wait_ms) {
  return new Promise((done) => {
    const timer = setTimeout(done, wait_ms);
    addEventListener("online", () => (clearTimeout(timer), done()), { once: true });
  });
}
