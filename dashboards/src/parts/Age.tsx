import { farmZone, useTicking } from "../clock.ts";
import { age, time } from "../format.ts";
import { text } from "../text/text.ts";

/** How long ago something was, kept up to date; `ago` says it as a phrase. */
export function Age({ at, ago = false }: { at: string; ago?: boolean }) {
  const words = useTicking((now) => age(Date.parse(at), now));
  return <time dateTime={at}>{ago ? text.age.ago(words) : words}</time>;
}

/** A time of day at the farm, with the day where it is not today. */
export function When({ at }: { at: string }) {
  const words = useTicking((now) => time(Date.parse(at), now, farmZone()));
  return <time dateTime={at}>{words}</time>;
}
