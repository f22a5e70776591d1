import { useEffect } from "preact/hooks";
import { farmZone } from "../clock.ts";
import { FarmDetails } from "../parts/FarmDetails.tsx";
import { Heading } from "../parts/Heading.tsx";
import { You } from "../parts/You.tsx";
import { Targets } from "../parts/Targets.tsx";
import * as resources from "../resources.ts";
import { useResource } from "../resources.ts";
import { Link } from "../router.tsx";
import { text } from "../text/text.ts";
import { type Choice, CHOICES, choose, useViewer, type Viewer } from "../viewer.ts";

/** What was chosen last: a choice draws the page anew, and the focus goes back to where it was. */
let last: Choice | null = null;

/** Language, units and clock of whoever looks at this screen. */
export function Settings() {
  const viewer = useViewer();
  useResource(resources.farm); // whose clocks may be changed below
  const words = text.settings;
  useEffect(() => {
    if (last !== null) document.querySelector<HTMLInputElement>(`input[name="${last}"]:checked`)?.focus();
    last = null;
  }, []);
  const take = <Name extends Choice>(name: Name, value: Viewer[Name]): void => {
    last = name;
    choose(name, value);
  };
  const ask = <Name extends Choice>(name: Name, question: string, labels: Record<Viewer[Name], string>) => (
    <fieldset>
      <legend>{question}</legend>
      <div class="buttons" role="group">
        {(CHOICES[name] as unknown as readonly Viewer[Name][]).map((value) => (
          <label key={value} class="choice" lang={name === "language" ? value : undefined}>
            <input type="radio" name={name} checked={viewer[name] === value} onChange={() => take(name, value)} />
            {labels[value]}
          </label>
        ))}
      </div>
    </fieldset>
  );
  return (
    <div class="page settings-page">
      <Heading title={words.title} />
      <p class="hint">{words.lead}</p>
      {ask("language", words.language, words.languages)}
      {ask("temperature", words.temperature, words.temperatures)}
      {ask("mass", words.mass, words.masses)}
      {ask("volume", words.volume, words.volumes)}
      {ask("clock", words.clock, words.clocks)}
      <p class="hint">
        {words.zone(farmZone())} {words.serviceWords}
      </p>
      <p>
        <Link to="/data" class="button">
          {text.data.toData}
        </Link>
      </p>
      <FarmDetails />
      <Targets />
      <You />
    </div>
  );
}
