# What is installed and where, and the Debian package made of it:
#
#   cmake -S . -B build/deb -G Ninja -DHG_TESTS=OFF
#   ninja -C build/deb package
#
# The prefix is /usr, because a package's is; with another one,
# -DCMAKE_INSTALL_PREFIX=/usr/local say, the units name the programs there.
# heatgate-sim is for trials and is not installed.
if(CMAKE_INSTALL_PREFIX_INITIALIZED_TO_DEFAULT)
  set(CMAKE_INSTALL_PREFIX /usr CACHE PATH "where to install" FORCE)
endif()
set(HG_UNIT_DIR lib/systemd/system)
if(CMAKE_INSTALL_PREFIX STREQUAL "/usr")
  set(HG_UNIT_DIR /lib/systemd/system) # as Debian 12 wants it
endif()
set(HG_DOC_DIR ${CMAKE_INSTALL_DATAROOTDIR}/doc/heatgate)
set(HG_MADE ${CMAKE_BINARY_DIR}/install)

install(TARGETS heatgate DESTINATION ${CMAKE_INSTALL_BINDIR})
install(TARGETS heatgated DESTINATION ${CMAKE_INSTALL_SBINDIR})
install(PROGRAMS systemd/rotate systemd/import
  DESTINATION ${CMAKE_INSTALL_LIBEXECDIR}/heatgate)
install(FILES include/heatgate/permit_follower.h
  DESTINATION ${CMAKE_INSTALL_INCLUDEDIR}/heatgate)

# The units name their programs by full path.
foreach(unit heatgate.service heatgate-rotate.service heatgate-rotate.timer
    heatgate-import.service heatgate-import.timer)
  set_property(DIRECTORY APPEND PROPERTY CMAKE_CONFIGURE_DEPENDS
    ${CMAKE_SOURCE_DIR}/systemd/${unit})
  file(READ systemd/${unit} text)
  string(REPLACE "/usr/sbin/"
    "${CMAKE_INSTALL_PREFIX}/${CMAKE_INSTALL_SBINDIR}/" text "${text}")
  string(REPLACE "/usr/libexec/"
    "${CMAKE_INSTALL_PREFIX}/${CMAKE_INSTALL_LIBEXECDIR}/" text "${text}")
  file(CONFIGURE OUTPUT ${HG_MADE}/${unit} CONTENT "${text}" @ONLY)
  install(FILES ${HG_MADE}/${unit} DESTINATION ${HG_UNIT_DIR})
endforeach()
install(FILES systemd/heatgate.sysusers DESTINATION lib/sysusers.d
  RENAME heatgate.conf)
install(FILES systemd/heatgate.tmpfiles DESTINATION lib/tmpfiles.d
  RENAME heatgate.conf)

# hg_gzip(source name): name.gz without a date in it, so that builds agree
find_program(HG_GZIP gzip REQUIRED)
set(packed)
function(hg_gzip source name)
  add_custom_command(OUTPUT ${HG_MADE}/${name}.gz
    COMMAND ${HG_GZIP} -9nc ${CMAKE_SOURCE_DIR}/${source} > ${HG_MADE}/${name}.gz
    DEPENDS ${CMAKE_SOURCE_DIR}/${source} VERBATIM)
  list(APPEND packed ${HG_MADE}/${name}.gz)
  set(packed ${packed} PARENT_SCOPE)
endfunction()
foreach(page heatgate.1 heatgated.8 heatgate.json.5)
  hg_gzip(config/man/${page} ${page})
  string(REGEX MATCH "[0-9]$" section ${page})
  install(FILES ${HG_MADE}/${page}.gz
    DESTINATION ${CMAKE_INSTALL_MANDIR}/man${section})
endforeach()
hg_gzip(config/debian/changelog changelog)
install(FILES ${HG_MADE}/changelog.gz DESTINATION ${HG_DOC_DIR})
add_custom_target(hg_packed ALL DEPENDS ${packed})

install(FILES config/completion/heatgate.bash
  DESTINATION ${CMAKE_INSTALL_DATAROOTDIR}/bash-completion/completions
  RENAME heatgate)
install(FILES config/debian/copyright README.md DESTINATION ${HG_DOC_DIR})
install(DIRECTORY config/contract DESTINATION ${HG_DOC_DIR})
install(FILES config/heatgate.example.json DESTINATION ${HG_DOC_DIR}/examples
  RENAME heatgate.json)
install(FILES systemd/heatgate-credentials.conf
  DESTINATION ${HG_DOC_DIR}/examples)
install(DIRECTORY config/mosquitto DESTINATION ${HG_DOC_DIR}/examples)

set(CPACK_GENERATOR DEB)
set(CPACK_PACKAGE_NAME heatgate)
set(CPACK_PACKAGE_CONTACT
  "The Heatgate contributors <contributors@heatgate.example>")
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY
  "permits for sauna heaters that are started from afar")
set(CPACK_DEBIAN_PACKAGE_DESCRIPTION
"Stands between people and the heaters of saunas at places where they do not
live: listens to the controllers of hot rooms over MQTT, decides whether a
remote start is acceptable, lends the controller permits that run out by
themselves, and keeps a journal that shows every change.

It is no safety device: it does not replace the high-limit cut-out, the door
switch or an electrician.")
set(CPACK_DEBIAN_PACKAGE_SECTION net)
set(CPACK_DEBIAN_PACKAGE_PRIORITY optional)
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
# the two tools that postinst calls, whoever brings them
set(CPACK_DEBIAN_PACKAGE_DEPENDS
  "systemd | systemd-sysusers, systemd | systemd-tmpfiles")
set(CPACK_DEBIAN_PACKAGE_RECOMMENDS "mosquitto, tzdata")
set(CPACK_DEBIAN_PACKAGE_SUGGESTS "bash-completion, chrony | time-daemon, curl")
set(CPACK_DEBIAN_PACKAGE_CONTROL_STRICT_PERMISSION ON)
set(CPACK_DEBIAN_PACKAGE_CONTROL_EXTRA
  ${CMAKE_SOURCE_DIR}/config/debian/postinst
  ${CMAKE_SOURCE_DIR}/config/debian/prerm
  ${CMAKE_SOURCE_DIR}/config/debian/postrm)
set(CPACK_STRIP_FILES ON)
set(CPACK_PACKAGING_INSTALL_PREFIX ${CMAKE_INSTALL_PREFIX})
set(CPACK_INSTALL_DEFAULT_DIRECTORY_PERMISSIONS
  OWNER_READ OWNER_WRITE OWNER_EXECUTE GROUP_READ GROUP_EXECUTE
  WORLD_READ WORLD_EXECUTE)
set(CPACK_THREADS 0)
include(CPack)
