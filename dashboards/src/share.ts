/** Keeps the old objects wherever a new answer says the same, so that what did not change is not drawn again. */

/** `fresh`, with every equal part replaced by that part of `old`. Items of lists are matched by their `id`. Pure. */
export function share<Value>(old: unknown, fresh: Value): Value {
  if (Object.is(old, fresh)) return fresh;
  if (Array.isArray(fresh)) return shareList(Array.isArray(old) ? old : [], fresh, old) as Value;
  if (!isRecord(fresh) || !isRecord(old)) return fresh;
  let same = Object.keys(fresh).length === Object.keys(old).length;
  const merged: Record<string, unknown> = {};
  for (const [key, value] of Object.entries(fresh)) {
    merged[key] = share(old[key], value);
    same &&= key in old && Object.is(merged[key], old[key]);
  }
  return (same ? old : merged) as Value;
}

function shareList(old: readonly unknown[], fresh: readonly unknown[], whole: unknown): unknown {
  const byId = new Map<unknown, unknown>();
  for (const item of old) if (isRecord(item) && "id" in item) byId.set(item["id"], item);
  const merged = fresh.map((item, i) => share(isRecord(item) && "id" in item ? byId.get(item["id"]) : old[i], item));
  const same = Array.isArray(whole) && old.length === merged.length && merged.every((item, i) => Object.is(item, old[i]));
  return same ? whole : merged;
}

function isRecord(value: unknown): value is Record<string, unknown> {
  return typeof value === "object" && value !== null && !Array.isArray(value);
}
