// Talk with the server. What is posted waits in the browser's store until the server has kept it: a page that is closed,
// or a server that is started anew, loses nothing. Each post has a key, so that one sent twice is kept once.

const WAITING = "opercle-desk-waiting:";
const AGAIN_MS = 1500;

export class Refused extends Error {
  constructor(message, status) {
    super(message);
    this.status = status;
  }
}

export async function get(address, parameters = {}) {
  return heard(await answered(address, parameters));
}

// A picture of a bone, `kind` stored or full, read to its end: an answer left half read holds one of the few connections
// that a browser keeps. Its headers tell where on the scan its pixels lie.
export async function getPicture(kind, { specimen, sign }) {
  const response = await answered(`/picture/${kind}`, { specimen, sign });
  if (!response.ok) return heard(response);
  return { blob: await response.blob(), headers: response.headers };
}

async function answered(address, parameters) {
  try {
    return await fetch(`${address}?${new URLSearchParams(parameters)}`);
  } catch {
    throw new Error("The desk does not answer. See whether `opercle desk` still runs.");
  }
}

async function heard(response) {
  const text = await response.text();
  let content = null;
  try {
    content = JSON.parse(text);
  } catch {
    content = { error: text };
  }
  if (!response.ok) throw new Refused(content?.error || `the server answered ${response.status}`, response.status);
  return content;
}

export function newKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

export class Outbox {
  // `onChange(waiting, error)` is called whenever the number of posts not yet kept changes.
  constructor(reader, onChange) {
    this.name = WAITING + reader;
    this.onChange = onChange;
    this.waiting = JSON.parse(localStorage.getItem(this.name) || "[]");
    this.sending = false;
    this.answers = new Map();
    if (this.waiting.length) this.send();
  }

  // Resolves with the server's answer once the post is kept; rejects when the server refuses it for good.
  post(address, body) {
    const post = { address, body: { key: newKey(), ...body } };
    this.waiting.push(post);
    this.keep();
    const answer = new Promise((resolve, reject) => this.answers.set(post.body.key, [resolve, reject]));
    this.send();
    return answer;
  }

  keep() {
    localStorage.setItem(this.name, JSON.stringify(this.waiting));
  }

  async send() {
    if (this.sending) return;
    this.sending = true;
    while (this.waiting.length) {
      const post = this.waiting[0];
      const [resolve, reject] = this.answers.get(post.body.key) || [() => {}, () => {}];
      try {
        const response = await fetch(post.address, {
          method: "POST",
          headers: { "content-type": "application/json" },
          body: JSON.stringify(post.body),
        });
        if (response.status >= 500) throw new Error((await response.json().catch(() => ({}))).error || "the server has a fault");
        const content = await heard(response);
        this.done(post);
        resolve(content);
      } catch (error) {
        if (error instanceof Refused) {
          this.done(post);
          this.onChange(this.waiting.length, error.message);
          reject(error);
        } else {
          this.onChange(this.waiting.length, "");
          await new Promise((wait) => setTimeout(wait, AGAIN_MS));
        }
      }
    }
    this.sending = false;
  }

  done(post) {
    this.waiting.shift();
    this.answers.delete(post.body.key);
    this.keep();
    this.onChange(this.waiting.length, null);
  }
}
