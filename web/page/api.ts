// The server: requests, and the stream of what happens.

/** A refusal in the server's words (RFC 9457 problem details). */
export class Refused extends Error {
  constructor(readonly status: number, title: string, readonly detail: string) {
    super(detail || title);
  }
}

const base = "/api/v1/";

async function request<T>(method: string, path: string, body?: unknown): Promise<T> {
  const r = await fetch(base + path, {
    method,
    headers: body === undefined ? undefined : { "Content-Type": "application/json" },
    body: body === undefined ? undefined : JSON.stringify(body),
  });
  if (!r.ok) {
    const p = await r.json().catch(() => ({}));
    throw new Refused(r.status, p.title ?? r.statusText, p.detail ?? "");
  }
  return r.status === 204 ? (undefined as T) : r.json();
}

export const get = <T>(path: string) => request<T>("GET", path);
export const post = <T>(path: string, body: unknown = {}) => request<T>("POST", path, body);
export const replace = <T>(path: string, body: unknown) => request<T>("PUT", path, body);
export const remove = <T>(path: string) => request<T>("DELETE", path);

/** A path with a query of what is neither undefined nor "". */
export function query(path: string, q: Record<string, string | number | undefined>): string {
  const p = new URLSearchParams();
  for (const [k, v] of Object.entries(q)) if (v !== undefined && v !== "") p.set(k, String(v));
  const s = p.toString();
  return s ? path + "?" + s : path;
}
