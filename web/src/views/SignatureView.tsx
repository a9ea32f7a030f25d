/** What stands before the signature: the checks, the limits not met, the side typed by hand. */

import type { JSX } from "preact";
import { at } from "../api/client";
import type { HipPage, SignaturePage } from "../api/schema";
import { sideWords } from "../model/format";
import { nextElsewhere } from "../model/next";
import { stoppedBy } from "../model/signing";
import { useLoad } from "../parts/hooks";
import { plateOf, Shell } from "../parts/Shell";
import { Stopped } from "../parts/Stopped";
import { SignedView } from "./SignedView";
import { SignForm } from "./SignForm";
import { StoppedSign } from "./StoppedSign";
import { useState } from "preact/hooks";

export interface SignProps {
  life: HipPage;
  page: SignaturePage;
  put: (page: SignaturePage) => void;
}

export function SignatureView({ hip }: { hip: string }): JSX.Element {
  const life = useLoad<HipPage>(at("/api/hips", hip));
  const page = useLoad<SignaturePage>(at("/api/hips", hip, {}, "/signature"));
  const [anew, signAnew] = useState(false);
  const error = page.error ?? life.error;
  if (!page.data || !life.data) {
    return (
      <Shell title="Signature" hip={life.data ? plateOf(life.data) : null} here="signature" back={`/hip/${encodeURIComponent(hip)}`}>
        {error && <Stopped error={error} again={page.again} next={nextElsewhere(hip, life.data?.next, "signature")} />}
      </Shell>
    );
  }
  const put = (next: SignaturePage): void => {
    page.put(next);
    signAnew(false);
    life.again(); // The line of life has moved on.
  };
  const props: SignProps = { life: life.data, page: page.data, put };
  if (page.data.plan && !page.data.plan.superseded && !anew) return <SignedView {...props} again={() => signAnew(true)} />;
  if (stoppedBy(page.data.checks).length > 0) return <StoppedSign {...props} />;
  return <SignForm {...props} />;
}

export const signTitle = (life: HipPage): string => `Signature, ${sideWords(life.side).toLowerCase()}`;
