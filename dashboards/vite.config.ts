import { gzipSync } from "node:zlib";
import { defineConfig, type Plugin } from "vite";

/** Script and style together, as they go over the Wi-Fi of a shed. */
const BUDGET_KB = 120;

/** Prints what the screens weigh, and refuses to build heavier ones. */
function weigh(): Plugin {
  return {
    name: "weigh",
    apply: "build",
    generateBundle(_, bundle) {
      let bytes = 0;
      for (const file of Object.values(bundle)) {
        if (!/\.(js|css)$/.test(file.fileName)) continue;
        bytes += gzipSync(file.type === "chunk" ? file.code : file.source).length;
      }
      const weight = `Script and style: ${(bytes / 1000).toFixed(1)} kB gzipped of at most ${BUDGET_KB} kB.`;
      if (bytes > BUDGET_KB * 1000) this.error(weight);
      else console.log(weight);
    },
  };
}

export default defineConfig({
  plugins: [weigh()],
  build: {
    // The service serves this folder; the wheel carries it.
    outDir: "../service/underlid/web/static",
    emptyOutDir: true,
    target: "es2022",
    rollupOptions: {
      input: { index: "index.html", worker: "src/worker.ts" },
      output: {
        // A service worker keeps its address, at the top, so that it serves every page.
        entryFileNames: ({ name }) => (name === "worker" ? "worker.js" : "assets/[name]-[hash].js"),
      },
    },
  },
  server: {
    // `npm run dev` shows the dashboards of a service running on its default address.
    proxy: { "/api": "http://127.0.0.1:8480" },
  },
});
