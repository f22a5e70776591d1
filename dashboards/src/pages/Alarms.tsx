import { useEffect } from "preact/hooks";
import { AlarmCard, focusAfterAction } from "../parts/AlarmCard.tsx";
import { AlarmPerformance } from "../parts/AlarmPerformance.tsx";
import { For } from "../parts/For.tsx";
import { Heading } from "../parts/Heading.tsx";
import { Absent, FailureNote } from "../parts/States.tsx";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import { text } from "../text/text.ts";

export function Alarms() {
  const alarms = useResource(resources.liveAlarms);
  // An alarm that left the list takes the focus with it; its own card answers first where it is still there.
  useEffect(() => focusAfterAction(null, document.querySelector<HTMLElement>("main h1")), [alarms.value]);
  if (alarms.value === undefined) return <Absent of={alarms} />;
  const resting = alarms.value.filter((a) => a.state === "shelved" || a.state === "out-of-service");
  const standing = alarms.value.filter((a) => !resting.includes(a));
  return (
    <div class="page alarms-page">
      <Heading title={text.alarms.title} />
      {alarms.failure !== undefined && alarms.failure.status !== 0 && <FailureNote failure={alarms.failure} again={alarms.again} />}
      {alarms.value.length > 0 && <For role="keeper" only={text.may.alarms} />}
      {standing.length === 0 && (
        <div class="note">
          <h2>{text.alarms.none}</h2>
          <p>{text.alarms.noneText}</p>
        </div>
      )}
      {standing.length > 0 && (
        <section aria-labelledby="standing">
          <h2 class="hidden" id="standing">
            {text.alarms.standing}
          </h2>
          <div class="alarms">
            {standing.map((alarm) => (
              <AlarmCard key={alarm.id} alarm={alarm} named />
            ))}
          </div>
        </section>
      )}
      {resting.length > 0 && (
        <section aria-labelledby="resting">
          <h2 id="resting">{text.alarms.resting}</h2>
          <div class="alarms">
            {resting.map((alarm) => (
              <AlarmCard key={alarm.id} alarm={alarm} named />
            ))}
          </div>
        </section>
      )}
      <AlarmPerformance />
    </div>
  );
}
