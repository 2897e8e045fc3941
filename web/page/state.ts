// What the page knows of the trial, kept up to date by the server's stream.
import { get, query, Refused } from "./api";
import type { Event as PickEvent, Health, Pick, Picks, Samples, Session, State, Traces, Trial } from "./types";

export type Kind = "session" | "trial" | "state" | "samples" | "picks" | "health" | "link" | "end";

/** How the stream stands. */
export type Link = "opening" | "live" | "lost" | "ended";

/** One channel's latest values; null breaks the line. */
export interface Column {
  t: number[];
  v: (number | null)[];
}

const keepS = 40; // of every channel
const backS = 25; // read back when the stream opens
const silentMS = 4000; // the server says something every second

export const pickKey = (station: string, n: number) => `${n} ${station}`;

export class Watch {
  session!: Session;
  trial!: Trial;
  state!: State;
  health: Health | null = null;
  link: Link = "opening";
  readonly columns = new Map<string, Column>();
  readonly picks = new Map<string, Pick>(); // the latest ones
  events: PickEvent[] = [];
  private listeners = new Map<Kind, Set<() => void>>();
  private source: EventSource | null = null;
  private last = "";
  private heard = 0;
  private retry = 0;
  private revision = -1;

  /** Calls back after every change of a kind, until the function returned is called. */
  on(kind: Kind, f: () => void): () => void {
    let set = this.listeners.get(kind);
    if (!set) this.listeners.set(kind, (set = new Set()));
    set.add(f);
    return () => set.delete(f);
  }

  private tell(kind: Kind): void {
    for (const f of [...(this.listeners.get(kind) ?? [])]) f();
  }

  /** Reads what there is. It fails where the server asks for a token. */
  async load(): Promise<void> {
    [this.session, this.trial, this.state] = await Promise.all([get<Session>("session"), get<Trial>("trial"), get<State>("state")]);
    this.revision = this.state.revision;
    await this.readPicks();
    this.tell("session");
    this.tell("trial");
    this.tell("state");
  }

  private async readPicks(): Promise<void> {
    const r = await get<Picks>(query("picks", { sort: "order", descending: "true", limit: 100 }));
    for (const p of r.picks.reverse()) this.keep(p);
    this.tell("picks");
  }

  private keep(p: Pick): void {
    const k = pickKey(p.station ?? "", p.n);
    if (p.provisional && this.picks.get(k)?.provisional === false) return; // it came late
    this.picks.delete(k); // the newest last
    this.picks.set(k, p);
    if (this.picks.size > 400) this.picks.delete(this.picks.keys().next().value!);
  }

  /** Takes a pick that a request has changed. */
  changed(p: Pick): void {
    const k = pickKey(p.station ?? "", p.n);
    if (this.picks.has(k)) this.picks.set(k, p);
    this.tell("picks");
  }

  /** Reads the trial again: the run sheet, notes, marks. */
  async readTrial(): Promise<void> {
    this.trial = await get<Trial>("trial");
    this.tell("trial");
  }

  /** Opens the stream, and again whenever it breaks. */
  follow(): void {
    this.open();
    setInterval(() => {
      // A pulled cable refuses nothing: neither an open stream nor one that is being opened hears of it.
      if (this.link !== "ended" && performance.now() - this.heard > silentMS) this.lost();
    }, 1000);
    addEventListener("offline", () => this.lost());
    addEventListener("online", () => this.open());
  }

  private setLink(l: Link): void {
    if (this.link === l) return;
    this.link = l;
    this.tell("link");
  }

  private lost(): void {
    this.source?.close();
    this.source = null;
    if (this.link === "ended") return;
    this.heard = performance.now();
    this.setLink("lost");
    clearTimeout(this.retry);
    this.retry = window.setTimeout(() => this.open(), 1000);
  }

  private open(): void {
    clearTimeout(this.retry);
    if (this.link === "ended") return;
    this.source?.close();
    // With the id of the last pick the server sends every one since from the file.
    const s = (this.source = new EventSource("/api/v1/" + query("live", { last: this.last })));
    this.heard = performance.now();
    const hear = <T>(name: string, f: (data: T) => void) =>
      s.addEventListener(name, (e) => {
        if (s !== this.source) return;
        const m = e as MessageEvent<string>;
        this.heard = performance.now();
        if (m.lastEventId) this.last = m.lastEventId;
        f(JSON.parse(m.data));
      });
    s.addEventListener("open", () => {
      this.breakLines();
      this.setLink("live");
      this.fillIn().catch(() => {});
    });
    s.addEventListener("error", () => {
      if (s !== this.source) return;
      // Closed for good means that the server refused: it may ask for a token anew.
      if (s.readyState === EventSource.CLOSED) get<Session>("session").catch((e) => locked(e) && location.reload());
      this.lost();
    });
    hear<State>("state", (x) => {
      this.state = x;
      if (x.revision !== this.revision) {
        this.revision = x.revision;
        this.readTrial().catch(() => {});
        this.readPicks().catch(() => {});
      }
      this.tell("state");
    });
    hear<Samples>("samples", (x) => this.take(x));
    hear<Pick>("provisional", (x) => {
      this.keep(x);
      this.tell("picks");
    });
    hear<Pick>("pick", (x) => {
      this.keep(x);
      this.tell("picks");
    });
    hear<PickEvent>("event", (x) => {
      this.events.push(x);
      if (this.events.length > 500) this.events = this.events.slice(-300);
      this.tell("picks");
    });
    hear<Health>("health", (x) => {
      this.health = x;
      this.tell("health");
    });
    hear("skipped", () => this.breakLines());
    hear("end", () => {
      this.source?.close();
      this.source = null;
      this.setLink("ended");
      Promise.all([get<State>("state"), this.readTrial(), this.readPicks()]).then(([x]) => {
        this.state = x;
        this.tell("state");
        this.tell("end");
      }).catch(() => {});
    });
  }

  /** Reads from the file what the stream did not bring of the last seconds. */
  private async fillIn(): Promise<void> {
    const names = this.trial.channels.filter((c) => c.switched || this.trial.stations.some((s) => s.vacuum === c.name)).map((c) => c.name);
    const q = new URLSearchParams({ from_s: String(Math.max(0, (this.state.t_s ?? 0) - backS)), points: "8000" });
    for (const n of names) q.append("channel", n);
    const x = await get<Traces>("traces?" + q);
    for (const trace of x.traces) {
      const c: Column = { t: [], v: [] };
      trace.t_s.forEach((t, i) => {
        const at = t ?? c.t[c.t.length - 1];
        if (at === undefined) return;
        c.t.push(at);
        c.v.push(t === null ? null : trace.lo[i]);
        if (t !== null && trace.hi[i] !== trace.lo[i]) {
          c.t.push(at);
          c.v.push(trace.hi[i]);
        }
      });
      const end = c.t[c.t.length - 1] ?? -Infinity, streamed = this.columns.get(trace.channel);
      const from = streamed?.t.findIndex((t, i) => t > end && streamed.v[i] !== null) ?? -1;
      if (streamed && from >= 0) {
        c.t = c.t.concat(streamed.t.slice(from));
        c.v = c.v.concat(streamed.v.slice(from));
      }
      this.columns.set(trace.channel, c);
    }
    this.tell("samples");
  }

  private breakLines(): void {
    for (const c of this.columns.values())
      if (c.t.length > 0 && c.v[c.v.length - 1] !== null) {
        c.t.push(c.t[c.t.length - 1]);
        c.v.push(null);
      }
  }

  private take(x: Samples): void {
    for (const ch of x.channels) {
      let c = this.columns.get(ch.channel);
      if (!c) this.columns.set(ch.channel, (c = { t: [], v: [] }));
      let newest = c.t.length ? c.t[c.t.length - 1] : -Infinity;
      for (let i = 0; i < ch.t_s.length; i++) {
        const t = ch.t_s[i];
        if (t === null || t < newest) continue;
        newest = t;
        c.t.push(t);
        c.v.push(ch.v[i]);
      }
      const from = c.t.length ? c.t[c.t.length - 1] - keepS : 0;
      if (c.t[0] < from - 5) {
        const i = c.t.findIndex((t) => t >= from);
        c.t.splice(0, i);
        c.v.splice(0, i);
      }
    }
    this.tell("samples");
  }
}

/** Whether an error means that a token is asked for. */
export const locked = (e: unknown) => e instanceof Refused && e.status === 401;
