// Light or dark: the system's choice, until a person chooses; then that.
import { repaint } from "./chart";

export type Theme = "system" | "light" | "dark";
const key = "griptrial.theme";
const system = matchMedia("(prefers-color-scheme: dark)");

function stored(): Theme {
  try {
    const t = localStorage.getItem(key);
    return t === "light" || t === "dark" ? t : "system";
  } catch {
    return "system"; // storage is blocked
  }
}

let chosen = stored();

function apply(): void {
  document.documentElement.dataset.theme = chosen === "system" ? (system.matches ? "dark" : "light") : chosen;
  repaint();
}

export const theme = () => chosen;

export function setTheme(t: Theme): void {
  chosen = t;
  try {
    if (t === "system") localStorage.removeItem(key);
    else localStorage.setItem(key, t);
  } catch {
    // it holds until the page is closed
  }
  apply();
}

system.addEventListener("change", apply);
apply();
