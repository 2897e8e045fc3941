// Numbers as people read them: never without a unit, and no more digits than their
// uncertainty allows. Nothing is computed here that the server computes.
import { text } from "./text";
import type { Figure } from "./types";

const minus = (s: string) => s.replace(/^-(?=[\d.])/, "−");

/** Decimal places that a number with uncertainty u deserves: two digits of u where it begins with 1 or 2, else one. */
export function places(u: number): number {
  let e = Math.floor(Math.log10(u));
  if (u / 10 ** e < 2.95) e--;
  return Math.max(0, -e);
}

/** A number with three significant digits or so, and its unit. */
export function number(x: number | null | undefined, unit: string, digits = 3): string {
  if (x === null || x === undefined || !isFinite(x)) return text.none;
  return join(minus(plain(x, digits)), unit);
}

function plain(x: number, digits: number): string {
  if (x === 0) return "0";
  const a = Math.abs(x);
  if (a < 1e-4 || a >= 1e7) return x.toExponential(digits - 1).replace("e-", " × 10^−").replace("e+", " × 10^");
  return x.toFixed(Math.max(0, digits - 1 - Math.floor(Math.log10(a))));
}

/** A number as somebody stated it, such as a limit, without zeros that say nothing. */
export function stated(x: number | null | undefined, unit: string): string {
  if (x === null || x === undefined || !isFinite(x)) return text.none;
  return join(minus(String(Number(x.toPrecision(4)))), unit);
}

/** A number with a fixed count of decimal places, and its unit. */
export function fixed(x: number | null | undefined, unit: string, decimals: number): string {
  if (x === null || x === undefined || !isFinite(x)) return text.none;
  return join(minus(x.toFixed(decimals)).replace(/^−(?=0(\.0*)?$)/, ""), unit);
}

function join(digits: string, unit: string): string {
  if (unit === "") return digits;
  return digits + " " + unit;
}

/** A figure as "84.2 ± 1.2 ms". */
export function figure(f: Figure | null | undefined, unit: string, scale = 1): string {
  if (!f || f.value === null) return text.none;
  const v = f.value * scale;
  if (f.u === null || !(f.u > 0)) return number(v, unit, 4);
  const p = places(f.u * scale);
  return join(minus(v.toFixed(p)) + " ± " + (f.u * scale).toFixed(p), unit);
}

/** An interval as "7.1 to 15.2 %", open ends in words. */
export function interval(lo: number | null, hi: number | null, unit: string, scale = 1): string {
  if (lo === null && hi === null) return text.noInterval;
  const end = (x: number) => minus(plain(x * scale, 3));
  if (hi === null) return text.orMore(join(end(lo!), unit));
  if (lo === null) return text.orLess(join(end(hi), unit));
  return join(text.fromTo(end(lo), end(hi)), unit);
}

/** Seconds as "2 h 05 min", "3 min 20 s", "12.4 s". */
export function duration(s: number | null | undefined): string {
  if (s === null || s === undefined || !isFinite(s)) return text.none;
  if (s < 60) return s.toFixed(1) + " s";
  const m = Math.floor(s / 60);
  if (m < 60) return `${m} min ${String(Math.floor(s % 60)).padStart(2, "0")} s`;
  return `${Math.floor(m / 60)} h ${String(m % 60).padStart(2, "0")} min`;
}

/** A p-value. */
export function pValue(p: number | null): string {
  return p !== null && p < 1e-4 ? "< 0.0001" : number(p, "", 2);
}

/** A share as percent. */
export function percent(x: number | null | undefined, digits = 3): string {
  return x === null || x === undefined ? text.none : number(100 * x, "%", digits);
}

/** A share that somebody stated, as percent. */
export function statedPercent(x: number | null | undefined): string {
  return stated(x === null || x === undefined ? x : 100 * x, "%");
}
