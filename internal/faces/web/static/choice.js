// What a person chose for this browser. A browser that keeps nothing takes it for this page only.
export function kept(name) { try { return localStorage.getItem(name) ?? ""; } catch { return ""; } }
export function keep(name, value) { try { localStorage.setItem(name, value); } catch { /* for this page only */ } }
