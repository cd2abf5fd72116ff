# Four Debian packages, and what a system wants beside the programs: man pages,
# completion, units of systemd. Built by deploy/packages.

# What the programs say of themselves.
set(pages ${CMAKE_BINARY_DIR}/man)
set(shells ${CMAKE_BINARY_DIR}/completion)
add_custom_command(
  OUTPUT ${pages}/selvage.1.gz ${shells}/selvage
  COMMAND ${CMAKE_COMMAND} -E make_directory ${shells}
  COMMAND ${CMAKE_SOURCE_DIR}/deploy/man-pages $<TARGET_FILE:selvage> $<TARGET_FILE:selvaged> $<TARGET_FILE:selvage-worker> ${pages}
  COMMAND selvage completion bash > ${shells}/selvage
  COMMAND selvage completion zsh > ${shells}/_selvage
  COMMAND selvage completion fish > ${shells}/selvage.fish
  DEPENDS selvage selvaged selvage-worker ${CMAKE_SOURCE_DIR}/deploy/man-pages
  VERBATIM)
add_custom_target(selvage_pages DEPENDS ${pages}/selvage.1.gz ${shells}/selvage)

set(man ${CMAKE_INSTALL_MANDIR}/man1)
install(FILES ${pages}/selvaged.1.gz DESTINATION ${man} COMPONENT daemon)
install(FILES ${pages}/selvage-worker.1.gz DESTINATION ${man} COMPONENT worker)
install(DIRECTORY ${pages}/ DESTINATION ${man} COMPONENT client FILES_MATCHING PATTERN "selvage*.1.gz"
        PATTERN "selvaged.1.gz" EXCLUDE PATTERN "selvage-worker.1.gz" EXCLUDE)
install(FILES ${shells}/selvage DESTINATION share/bash-completion/completions COMPONENT client)
install(FILES ${shells}/_selvage DESTINATION share/zsh/vendor-completions COMPONENT client)
install(FILES ${shells}/selvage.fish DESTINATION share/fish/vendor_completions.d COMPONENT client)

# Units, their options and the account that they run under.
set(systemd ${CMAKE_SOURCE_DIR}/deploy/systemd)
set(units lib/systemd/system)
install(FILES ${systemd}/selvaged.service DESTINATION ${units} COMPONENT daemon)
install(FILES ${systemd}/selvage-worker@.service DESTINATION ${units} COMPONENT worker)
install(FILES ${systemd}/selvage.sysusers DESTINATION lib/sysusers.d RENAME selvaged.conf COMPONENT daemon)
install(FILES ${systemd}/selvage.sysusers DESTINATION lib/sysusers.d RENAME selvage-worker.conf COMPONENT worker)
install(FILES ${systemd}/selvaged.default DESTINATION /etc/default RENAME selvaged COMPONENT daemon)
install(FILES ${systemd}/selvage-worker.default DESTINATION /etc/default RENAME selvage-worker COMPONENT worker)

# What Debian asks of every package.
foreach(part client=selvage daemon=selvaged worker=selvage-worker documentation=selvage-doc)
  string(REPLACE "=" ";" part ${part})
  list(GET part 0 component)
  list(GET part 1 package)
  string(TOUPPER ${component} COMPONENT)
  set(CPACK_DEBIAN_${COMPONENT}_PACKAGE_NAME ${package})
  install(FILES deploy/debian/copyright DESTINATION share/doc/${package} COMPONENT ${component})
  install(FILES ${CMAKE_BINARY_DIR}/changelog.gz ${CMAKE_BINARY_DIR}/changelog.Debian.gz
          DESTINATION share/doc/${package} COMPONENT ${component})
endforeach()
set(maintainer "Selvage <selvage@localhost>")
string(TIMESTAMP date "%a, %d %b %Y %H:%M:%S +0000" UTC)
file(WRITE ${CMAKE_BINARY_DIR}/changelog.Debian "selvage (${PROJECT_VERSION}-1) bookworm; urgency=medium

  * What changed is in changelog.gz.

 -- ${maintainer}  ${date}
")
foreach(log ${CMAKE_SOURCE_DIR}/deploy/CHANGELOG.md=changelog.gz ${CMAKE_BINARY_DIR}/changelog.Debian=changelog.Debian.gz)
  string(REPLACE "=" ";" log ${log})
  list(GET log 0 text)
  list(GET log 1 packed)
  execute_process(COMMAND gzip -9nc ${text} OUTPUT_FILE ${CMAKE_BINARY_DIR}/${packed} COMMAND_ERROR_IS_FATAL ANY)
endforeach()

set(CPACK_GENERATOR DEB)
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_STRIP_FILES ON)
set(CPACK_COMPONENTS_ALL client daemon worker documentation)
set(CPACK_PACKAGE_NAME selvage)
set(CPACK_PACKAGE_VENDOR Selvage)
set(CPACK_PACKAGE_CONTACT ${maintainer})
set(CPACK_INSTALL_DEFAULT_DIRECTORY_PERMISSIONS OWNER_READ OWNER_WRITE OWNER_EXECUTE GROUP_READ GROUP_EXECUTE WORLD_READ WORLD_EXECUTE)
set(CPACK_DEB_COMPONENT_INSTALL ON)
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_PACKAGE_RELEASE 1)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
set(CPACK_DEBIAN_PACKAGE_CONTROL_STRICT_PERMISSION ON)
set(CPACK_DEBIAN_CLIENT_PACKAGE_SECTION graphics)
set(CPACK_DEBIAN_DAEMON_PACKAGE_SECTION graphics)
set(CPACK_DEBIAN_WORKER_PACKAGE_SECTION graphics)
set(CPACK_DEBIAN_DOCUMENTATION_PACKAGE_SECTION doc)
set(CPACK_DEBIAN_DOCUMENTATION_PACKAGE_ARCHITECTURE all)
set(CPACK_COMPONENT_CLIENT_DESCRIPTION "Hand key stacks to a Selvage daemon
The client: submits, watches, looks, explains, invalidates and fetches.")
set(CPACK_COMPONENT_DAEMON_DESCRIPTION "Render key stacks and keep what was rendered
The daemon: renders each step of a key stack once for each frame, keeps it,
and after a tweak renders only what the tweak changes.")
set(CPACK_COMPONENT_WORKER_DESCRIPTION "Render passes for a Selvage daemon
A worker: as many tasks side by side as it is told.")
set(CPACK_COMPONENT_DOCUMENTATION_DESCRIPTION "Documents and messages of Selvage
README, the demo stack, and the messages for clients in other languages.")
set(account "systemd | systemd-standalone-sysusers")
set(CPACK_DEBIAN_DAEMON_PACKAGE_DEPENDS ${account})
set(CPACK_DEBIAN_WORKER_PACKAGE_DEPENDS ${account})
set(CPACK_DEBIAN_DAEMON_PACKAGE_RECOMMENDS "selvage, selvage-worker")
set(scripts ${CMAKE_SOURCE_DIR}/deploy/debian)
# Settings of the house, which an upgrade does not replace.
file(WRITE ${CMAKE_BINARY_DIR}/debian/daemon/conffiles "/etc/default/selvaged\n")
file(WRITE ${CMAKE_BINARY_DIR}/debian/worker/conffiles "/etc/default/selvage-worker\n")
foreach(component daemon worker)
  string(TOUPPER ${component} COMPONENT)
  set(CPACK_DEBIAN_${COMPONENT}_PACKAGE_CONTROL_EXTRA
      ${scripts}/${component}/postinst ${scripts}/${component}/prerm ${scripts}/${component}/postrm
      ${CMAKE_BINARY_DIR}/debian/${component}/conffiles)
endforeach()
include(CPack)
