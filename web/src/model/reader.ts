/** The server's word for a reader who has not said who they are. It is no name: nothing may be signed with it. */
export const NOBODY = "reader not named";
