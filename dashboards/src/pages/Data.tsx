import { TakeIn } from "../data/TakeIn.tsx";
import { TakeOut } from "../data/TakeOut.tsx";
import { For } from "../parts/For.tsx";
import { Heading } from "../parts/Heading.tsx";
import { Icon } from "../parts/Icon.tsx";
import { Link } from "../router.tsx";
import { text } from "../text/text.ts";

/** Tables of readings and log entries taken in, and all that is kept taken out. */
export function Data() {
  const words = text.data;
  return (
    <div class="page narrow-page data-page">
      <header class="subject-head">
        <Link to="/settings" class="back">
          <Icon name="back" />
          {text.nav.settings}
        </Link>
        <Heading title={words.title} />
      </header>
      <TakeOut />
      <For role="keeper" only={text.may.data}>
        <TakeIn />
      </For>
      <section aria-labelledby="backups">
        <h2 id="backups">{words.backups}</h2>
        <p class="hint">{words.backupsLead}</p>
      </section>
    </div>
  );
}
