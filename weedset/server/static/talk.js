// Talking to the server: JSON both ways, and what failed in words.

export class Refused extends Error {
  constructor(status, answer) {
    super(answer.where ? `${answer.where}: ${answer.what}` : answer.what);
    this.status = status;
    this.fix = answer.fix ?? "";
    this.tileIds = answer.tile_ids ?? [];
  }
}

/** Ask once. Throws Refused where the server says no, TypeError where it does not answer. */
export async function ask(path, body = {}) {
  const response = await fetch(`/api/${path}`, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify(body),
  });
  if (response.ok) return response.json();
  let answer = { what: `The server answered ${response.status}` };
  try {
    answer = await response.json();
  } catch { /* no JSON: the status must do */ }
  throw new Refused(response.status, answer);
}

const pause = (ms) => new Promise((done) => { setTimeout(done, ms); });

/** Ask until there is an answer; `onWait` hears of each time there was none. */
export async function askUntilAnswered(path, body, onWait) {
  for (let wait = 300; ; wait = Math.min(wait * 1.7, 5000)) {
    try {
      return await ask(path, body);
    } catch (error) {
      const gone = !(error instanceof Refused) || error.status === 503;
      if (!gone) throw error;
      onWait();
      await pause(wait);
    }
  }
}
