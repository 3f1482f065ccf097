/* What the pages need of Dash's own large library, and no more: where the browser is, told once. */
window.plantview_lean = {
  Location: ({ setProps }) => {
    React.useEffect(() => setProps({ pathname: location.pathname }), []);
    return null;
  },
};
