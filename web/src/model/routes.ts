/** Pages and their addresses. The address is the whole state of navigation: a reload keeps the page. */

export type Route =
  | { page: "patients" }
  | { page: "limits" }
  | { page: "hip"; hip: string }
  | { page: "film"; hip: string; film: string }
  | { page: "reading"; hip: string; film: string }
  | { page: "films"; hip: string }
  | { page: "scan"; hip: string; scan: string }
  | { page: "stock"; hip: string }
  | { page: "comparison"; hip: string }
  | { page: "placement"; hip: string }
  | { page: "signature"; hip: string }
  | { page: "nowhere"; path: string };

const HIP_PAGES = ["comparison", "placement", "signature", "films", "stock"] as const;

export function routeOf(path: string): Route {
  const parts = path.split("/").filter(Boolean).map(safeDecode);
  const [first, hip, page, image] = parts;
  if (first === undefined) return { page: "patients" };
  if (first === "limits" && parts.length === 1) return { page: "limits" };
  if (first === "hip" && hip) {
    if (parts.length === 2) return { page: "hip", hip };
    const plain = HIP_PAGES.find((name) => name === page);
    if (plain && parts.length === 3) return { page: plain, hip };
    if ((page === "film" || page === "reading") && image && parts.length === 4) return { page, hip, film: image };
    if (page === "scan" && image && parts.length === 4) return { page, hip, scan: image };
  }
  return { page: "nowhere", path };
}

export function pathOfRoute(route: Route): string {
  const hip = "hip" in route ? `/hip/${encodeURIComponent(route.hip)}` : "";
  switch (route.page) {
    case "patients":
      return "/";
    case "limits":
      return "/limits";
    case "hip":
      return hip;
    case "film":
    case "reading":
      return `${hip}/${route.page}/${encodeURIComponent(route.film)}`;
    case "scan":
      return `${hip}/scan/${encodeURIComponent(route.scan)}`;
    case "nowhere":
      return route.path;
    default:
      return `${hip}/${route.page}`;
  }
}

function safeDecode(part: string): string {
  try {
    return decodeURIComponent(part);
  } catch {
    return part;
  }
}
