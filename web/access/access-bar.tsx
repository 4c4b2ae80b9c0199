// The login page, and the line that says on a networked server who this browser is and lets it log out.
import './access.css';
import { useSignal } from '@preact/signals';
import { useEffect } from 'preact/hooks';
import { ApiError } from '../stream/api.ts';
import { access, logIn, logOut } from './access.ts';

export function LoginPage() {
  const words = useSignal('');
  const shown = useSignal(false);
  const waiting = useSignal(false);
  const refused = useSignal<ApiError | undefined>(undefined);
  useEffect(() => {
    document.title = 'Log in · Evenburn';
  }, []);
  const send = async (event: Event) => {
    event.preventDefault();
    if (waiting.value) return;
    waiting.value = true;
    refused.value = undefined;
    try {
      await logIn(words.value);
    } catch (error) {
      if (!(error instanceof ApiError)) throw error;
      refused.value = error;
    } finally {
      waiting.value = false;
    }
  };
  return (
    <main class="login">
      <form class="panel" onSubmit={send}>
        <h1>Log in</h1>
        <label for="passphrase">Passphrase of the crew, or of viewers</label>
        <input
          id="passphrase"
          type={(shown.value ? 'text' : 'password') as 'text'}
          autocomplete="current-password"
          autocapitalize="none"
          spellcheck={false}
          required
          maxLength={200}
          aria-describedby="login-refused"
          value={words.value}
          onInput={(event) => {
            words.value = event.currentTarget.value;
          }}
        />
        <label class="show-words">
          <input
            type="checkbox"
            checked={shown.value}
            onChange={(event) => {
              shown.value = event.currentTarget.checked;
            }}
          />
          Show what I type
        </label>
        <p id="login-refused" role="alert">
          {refused.value && `${refused.value.message}. ${refused.value.cure}`}
        </p>
        <button type="submit" class="button main">
          {waiting.value ? 'Asking…' : 'Log in'}
        </button>
        <p class="quiet">The program printed both where it was started with --lan.</p>
      </form>
    </main>
  );
}

/** Nothing on a server that only this computer reaches. */
export function AccessBar() {
  const failed = useSignal('');
  const now = access.value;
  if (!now?.lan || now.role === null) return null;
  const leave = (everybody: boolean) =>
    logOut(everybody).catch((error: Error) => {
      failed.value = error.message;
    });
  return (
    <section class="access-bar" aria-label="Who this browser is">
      <span>{wordFor(now.role, now.atTheComputer)}</span>
      {!now.atTheComputer && (
        <button type="button" class="button slim" onClick={() => leave(false)}>
          Log out
        </button>
      )}
      {now.role === 'crew' && (
        <button type="button" class="button slim" onClick={() => leave(true)}>
          Log everybody out
        </button>
      )}
      <span role="alert">{failed.value}</span>
    </section>
  );
}

function wordFor(role: 'viewer' | 'crew', atTheComputer: boolean): string {
  if (atTheComputer) return 'Crew, at this computer; others on the network log in';
  return role === 'crew' ? 'Crew' : 'Viewer: watches, changes nothing';
}
