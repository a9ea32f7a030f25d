/** Which page an address shows. */

import type { JSX } from "preact";
import { useRoute } from "./parts/router";
import { FilmRoute } from "./views/FilmRoute";
import { HipView } from "./views/HipView";
import { LimitsView } from "./views/LimitsView";
import { NowhereView } from "./views/NowhereView";
import { PatientsView } from "./views/PatientsView";
import { ComparisonView } from "./views/ComparisonView";
import { ScanRoute } from "./views/ScanRoute";
import { SignatureView } from "./views/SignatureView";

export function App(): JSX.Element {
  const route = useRoute();
  switch (route.page) {
    case "patients":
      return <PatientsView />;
    case "limits":
      return <LimitsView />;
    case "hip":
      return <HipView key={route.hip} hip={route.hip} />;
    case "comparison":
      return <ComparisonView key={route.hip} hip={route.hip} />;
    case "signature":
      return <SignatureView key={route.hip} hip={route.hip} />;
    case "film":
    case "reading":
    case "placement":
    case "films":
      return <FilmRoute route={route} />;
    case "scan":
    case "stock":
      return <ScanRoute route={route} />;
    case "nowhere":
      return <NowhereView />;
  }
}
