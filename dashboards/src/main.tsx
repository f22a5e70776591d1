import { render } from "preact";
import { Alarms } from "./pages/Alarms.tsx";
import { Bin } from "./pages/Bin.tsx";
import { Bins } from "./pages/Bins.tsx";
import { Calibration } from "./pages/Calibration.tsx";
import { Data } from "./pages/Data.tsx";
import { FeedStore } from "./pages/FeedStore.tsx";
import { Probes } from "./pages/Probes.tsx";
import { Reports } from "./pages/Reports.tsx";
import { Replay } from "./pages/Replay.tsx";
import { Round } from "./pages/Round.tsx";
import { Settings } from "./pages/Settings.tsx";
import { SignIn } from "./pages/SignIn.tsx";
import { startQueue } from "./offline/queue.ts";
import { guardPresses } from "./press.ts";
import { Twins } from "./pages/Twins.tsx";
import { Users } from "./pages/Users.tsx";
import { Welcome } from "./pages/Welcome.tsx";
import { Outside, Shell } from "./parts/Shell.tsx";
import { NotFound } from "./parts/States.tsx";
import * as resources from "./resources.ts";
import { listen, useResource } from "./resources.ts";
import { useRoute } from "./router.tsx";
import { speak } from "./text/text.ts";
import { recallViewer, useViewer } from "./viewer.ts";
import "./style.css";

function Page() {
  const route = useRoute();
  switch (route.page) {
    case "bins":
      return <Bins />;
    case "bin":
      return <Bin key={route.id} id={route.id} />;
    case "feed-store":
      return <FeedStore key={route.id} id={route.id} />;
    case "alarms":
      return <Alarms />;
    case "probes":
      return <Probes />;
    case "round":
      return <Round />;
    case "settings":
      return <Settings />;
    case "reports":
      return <Reports />;
    case "replay":
      return <Replay />;
    case "data":
      return <Data />;
    case "users":
      return <Users />;
    case "welcome":
      return <Welcome />;
    case "calibration":
      return <Calibration key={route.channel} channel={route.channel} />;
    case "twins":
      return <Twins key={route.id} id={route.id} />;
    case "not-found":
      return <NotFound />;
  }
}

const app = document.getElementById("app");
if (app === null) throw new Error("index.html holds no element with the id 'app'");

/** Drawn whole anew when the viewer chooses another language, unit or clock. */
function App() {
  const viewer = useViewer();
  speak(viewer.language);
  document.documentElement.lang = viewer.language;
  const session = useResource(resources.session).value;
  const route = useRoute();
  const outside = route.page === "welcome" ? <Welcome /> : session?.role === null ? <SignIn session={session} /> : null;
  if (outside !== null) return <Outside key={viewer.language}>{outside}</Outside>;
  return (
    <Shell key={JSON.stringify(viewer)}>
      <Page />
    </Shell>
  );
}

recallViewer();
listen();
startQueue();
guardPresses();
// Without TLS only this computer itself has service workers; entries are queued all the same.
if (import.meta.env.PROD && "serviceWorker" in navigator) void navigator.serviceWorker.register("/worker.js");
render(<App />, app);
