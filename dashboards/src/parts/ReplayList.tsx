import { inUnits, sentence, withoutName } from "../format.ts";
import type { Replay, Spell } from "../shapes.ts";
import { text } from "../text/text.ts";
import { When } from "./Age.tsx";

interface ReplayListProps {
  replay: Replay;
  /** Of more than one subject. */
  named: boolean;
  /** What it is laid beside: what was, or what the limits in force say. */
  beside?: "was" | "inForce";
}

/** The alarms that would have been, beside those they are compared with. */
export function ReplayList({ replay, named, beside = "was" }: ReplayListProps) {
  const words = text.replay;
  const count = { same: 0, new: 0, gone: 0 };
  for (const pair of replay.pairs) count[kindOf(pair)] += 1;
  return (
    <div class="replay">
      <p role="status">
        <strong>{words.counts(count.same, count.new, count.gone)}</strong>
      </p>
      <ul class="replay-list">
        {replay.pairs.map((pair) => {
          const spell = pair.would ?? pair.was;
          if (spell === null) return null;
          const kind = kindOf(pair);
          return (
            <li key={`${pair.subject.kind}${pair.subject.id}${pair.rule}${spell.from}${pair.was?.from ?? ""}`} class={`replay-${kind}`}>
              <span class="badge badge-quiet">{words.kind[kind]}</span>
              <span>
                {named && <strong>{pair.subject_name}: </strong>}
                {sentence(withoutName(inUnits(spell.headline), pair.subject_name))}
                {spell.forecast && ` (${text.alarms.forecast})`}
              </span>
              <span class="hint">
                {pair.was !== null && (
                  <>
                    {words[beside]} <Span spell={pair.was} start={replay.from} />
                  </>
                )}
                {pair.was !== null && pair.would !== null && " · "}
                {pair.would !== null && (
                  <>
                    {words.would} <Span spell={pair.would} start={replay.from} />
                  </>
                )}
              </span>
            </li>
          );
        })}
      </ul>
    </div>
  );
}

function kindOf(pair: { was: Spell | null; would: Spell | null }): "same" | "new" | "gone" {
  if (pair.was === null) return "new";
  return pair.would === null ? "gone" : "same";
}

function Span({ spell, start }: { spell: Spell; start: string }) {
  return (
    <>
      {spell.from <= start ? text.replay.before : <When at={spell.from} />} – {spell.to === null ? text.replay.still : <When at={spell.to} />}
    </>
  );
}
